"""The guided bench tests: questions answered on standard input, or a JSON file. Invented masses."""

from __future__ import annotations

import io
import json
import re

import numpy as np
import pytest

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.app.bench_tests import _quiet
from soakmon.bench_toml import parse_bench
from soakmon.errors import InputError
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import latest
from soakmon.records.run_file import write_run
from soakmon.watch.rows import Rows
from soakmon.weigh.guided import Guided
from soakmon.weigh.prompts import ask_all
from soakmon.weigh.watched import isolation_form
from tests.desk import Desk

STEPS = [(0, 100), (500, 1_000_100), (1000, 2_000_100), (500, 1_000_110), (0, 100)]
UP = [True, True, True, False, False]
CALIBRATION = {
    "capacity_g": 1000,
    "steps": [{"mass_g": m, "reading": r, "up": up} for (m, r), up in zip(STEPS, UP, strict=True)],
    "creep": [[0, 2_000_100], [20, 2_000_300], [30, 2_000_350]],
    "returned_g": 0.05,
}
ANSWERS = (
    "1000\n\n\n100\n500\n1000100\n1000\n2000100\n\n1000110\n100\n"
    "0\n2000100\n20\n2000300\n30\n2000350\n\n0,05\n\n"
)


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "data")


@pytest.fixture
def file(tmp_path):
    def write(content):
        path = tmp_path / "answers.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content))
        return str(path)

    return write


def kept(desk, kind):
    with Records(desk.folder) as records, records.session() as session:
        return latest(session, kind)


def test_a_calibration_by_questions_and_by_file_is_the_same(desk, file):
    asked = desk("bench", "calibrate", stdin=ANSWERS)
    assert asked.code == 0
    first = kept(desk, "calibration").data
    given = desk("bench", "calibrate", "--from", file(CALIBRATION))
    assert given.out == asked.out
    assert kept(desk, "calibration").data == first
    assert first["g_per_count"] == pytest.approx(0.0005, rel=1e-4)
    assert len(first["readings"]) == 5
    assert "take off until 500 g is left" in asked.err
    lines = given.out.splitlines()
    toml = "\n".join(lines[lines.index("[cell]") :])
    assert parse_bench(toml).cell.g_per_count == pytest.approx(0.0005, rel=1e-4)


def test_a_cell_that_creeps_is_not_passed_and_not_in_force(desk, file, tmp_path):
    creeping = {**CALIBRATION, "creep": [[0, 0], [20, 800], [30, 1000]]}
    done = desk("bench", "calibrate", "--from", file(creeping))
    assert done.code == 1
    assert "creep over 30 min: +0.5000 ± 0.14 g, limit ±0.2450 g: TOO MUCH" in done.out
    run = tmp_path / "run.csv"
    write_run(run, simulate(SCENARIOS["dry-rack"], hours=2, interval_s=30).rows)
    number = desk("job", "new", "--customer", "invented").out.strip()
    desk("replay", str(run), "--job", number, "--report", str(tmp_path / "r"))
    assert "NOT IN FORCE: it did not pass" in (tmp_path / "r" / "report.html").read_text()
    desk("bench", "calibrate", "--from", file({**CALIBRATION, "valid_days": 30}))
    for day, says in (("2199-01-01", "expired"), ("2001-01-01", "made later than 2001-01-01")):
        folder = tmp_path / day
        desk("replay", str(run), "--job", number, "--report", str(folder), "--date", day)
        assert f"NOT IN FORCE: {says}" in (folder / "report.html").read_text()


@pytest.mark.parametrize(("reading", "code"), [(500.1, 0), (501.0, 1)])
def test_daily(desk, reading, code):
    done = desk("bench", "daily", stdin=f"1000\n500\n\n0\n{reading}\n")
    assert done.code == code
    assert kept(desk, "daily_check").data["error_g"] == pytest.approx(reading - 500)


def test_a_blank_run_weighed_at_both_ends(desk):
    done = desk("bench", "blank", stdin="0\n450.02\n450.00\n\n449.20\n\n24\n20\n")
    assert done.code == 0
    lines = done.out.splitlines()
    priors = parse_bench("\n".join(lines[lines.index("[priors]") :])).priors
    data = kept(desk, "blank_run").data
    assert priors.blank_scale == pytest.approx(data["blank_scale"], abs=1e-4)
    assert data["measured_g"]["value"] == pytest.approx(0.81)
    assert priors.blank_scale == pytest.approx(0.81 / data["expected_g"], abs=1e-3)


def test_a_blank_run_as_recorded(desk, tmp_path):
    rows = simulate(SCENARIOS["dry-rack"], hours=24, interval_s=60).rows
    late = rows.part(120, len(rows))
    write_run(tmp_path / "blank.csv", late)
    done = desk("bench", "blank", "--run", str(tmp_path / "blank.csv"))
    assert done.code in {0, 1}
    assert kept(desk, "blank_run").data["form"] == {"run": "blank.csv"}


def test_drain_shots_and_floats_go_to_the_job(desk, tmp_path):
    number = desk("job", "new", "--customer", "invented", "--carbs", "2").out.strip()
    (tmp_path / "bench.toml").write_text("[rack]\ncarbs = 2\n")
    bench = ("--bench", str(tmp_path / "bench.toml"), "--job", number)
    drained = desk("bench", "drain", *bench, stdin="20\n50\n80\n50\n82\n")
    assert drained.code == 1
    assert "DIFFERS" in drained.out
    shot = desk("bench", "shots", *bench, stdin="20\n\n10\n14.80\n10\n14.82\n\n10\n14.75\n\n")
    assert shot.code == 0
    assert "spread" in shot.out
    soaked = desk("bench", "float", *bench, stdin="12.00\n12.01\n\n12.01\n\n11.9\n\n12.3\n\n")
    assert soaked.code == 1
    assert "carb 2: gains 0.39 ±" in soaked.out
    assert "carb 1" not in soaked.out.split("TAKES FUEL")[-1]
    job = json.loads(desk("job", "show", number, "--json").out)
    assert [one["kind"] for one in job["results"]] == ["drain", "shots", "float"]
    assert all("csv" in one for one in job["results"])


@pytest.mark.parametrize(
    ("command", "content", "says"),
    [
        ("calibrate", "{", "invalid json"),
        ("calibrate", {"capacity_g": 1000, "steps": []}, "steps"),
        ("calibrate", {**CALIBRATION, "capacity_g": 100}, "capacity"),
        ("calibrate", {**CALIBRATION, "mass": 1}, "mass: extra"),
        ("calibrate", {**CALIBRATION, "creep": [[0, 1]]}, "creep needs"),
        ("drain", {"cups_g": [[50, 40]]}, "carb 1: the full cup"),
        ("shots", {"strokes": 0, "series_g": [[[1, 2]]]}, "strokes"),
        ("shots", {"strokes": 5, "series_g": [[]]}, "at least one"),
        ("blank", {"hours": 2, "air_c": 20, "before_g": [5], "after_g": [4]}, "needs 6 hours"),
        ("blank", {"hours": 9, "air_c": 20, "before_g": [5], "after_g": [5]}, "too small"),
        ("float", {"floats": []}, "floats"),
    ],
)
def test_files_that_cannot_be_are_told_and_nothing_is_kept(desk, file, command, content, says):
    done = desk("bench", command, "--from", file(content))
    assert done.code == 2
    assert says in done.err.lower()
    assert not desk.folder.exists()


@pytest.mark.parametrize(
    ("stdin", "says"), [("", "input ended"), ("1000\nx\n", "input ended"), ("a\nx\nc\n", "three")]
)
def test_answers_that_stop_keep_nothing(desk, stdin, says):
    done = desk("bench", "calibrate", stdin=stdin)
    assert done.code == 2
    assert says in done.err
    assert not desk.folder.exists()


def test_a_wrong_answer_is_asked_again_and_b_goes_back():
    said: list[str] = []
    answers = io.StringIO("x\nnan\n1000,5\n400\nb\n500\n\n0\nt\n")

    def take(question, guided):
        assert question.source == "mass_g"
        return 500.25

    done = ask_all(Guided("daily", 4), answers, said.append, lambda: 0.0, take)
    assert done.form == {
        "capacity_g": 1000.5, "mass_g": 500.0, "mass_u_g": 0.0, "empty_g": 0.0,
        "reading_g": 500.25,
    }  # fmt: skip
    assert sum("is not a number" in text for text in said) == 2
    with pytest.raises(InputError, match="input ended"):
        ask_all(Guided("daily", 4), io.StringIO("1000\n"), said.append, lambda: 0.0)


def test_isolation_by_questions_and_out_of_a_run(desk, tmp_path):
    answers = "30\n0\n12\n15\n60\n20\n0\n9\n18.5\n1\n0.5\n1\n11\n"
    done = desk("bench", "isolation", stdin=answers)
    assert done.code == 1
    for word in ("carb 1: 0", "no drops", "carb 2: 24", "goes on from the bowl",
                 "stops with the feed", "fades out"):  # fmt: skip
        assert word in done.out, word
    readings = kept(desk, "isolation").data["readings"]
    assert [one["way"] for one in readings] == ["dry", "goes on", "stops", "fades"]


def test_knocks_are_no_drops_of_an_isolation():
    """Bangs that every gate counts, before and after the feed is shut, accuse no carburettor."""
    t_s = np.arange(0.0, 7200.0)
    drops = np.zeros((7200, 4))
    drops[300::700] = 1.0
    drops[3000:3600:40, 2] = 1.0
    rows = Rows(t_s, 300.0 - 0 * t_s, 20.0 + 0 * t_s, drops, None, (t_s < 3600).astype(float))
    form = isolation_form(_quiet(rows))
    assert [carb["before"] for carb in form["carbs"]] == [0, 0, 15, 0]
    assert [carb["after"] for carb in form["carbs"]] == [0, 0, 0, 0]


@pytest.mark.parametrize(
    ("test", "good", "wrong"),
    [
        ("calibration", [], -5), ("calibration", [], 0), ("calibration", [2000], 100),
        ("calibration", [2000, None], -1), ("calibration", [2000, None, None, 0], 2001),
        ("calibration", [2000, None, None, 0, 500, 1e6], 400), ("daily", [], -5),
        ("daily", [2000], 2500), ("daily", [2000, 500], -1), ("drain", [], 90),
        ("drain", [20], -1), ("drain", [20, 50], 49), ("shots", [], 0), ("shots", [], 2.5),
        ("shots", [20, 20, 10], 9), ("float", [], 0), ("isolation", [], 0),
        ("isolation", [30], -1), ("isolation", [30, 0, 0], 2), ("isolation", [30, 0, 0, 9, 1], 10),
        ("blank", [], -1), ("blank", [0, 450, None, 449, None], 0),
        ("blank", [0, 450, None, 449, None, 24], 99),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_where_it_is_given(test, good, wrong):
    """Not at the end, when all of it would have to be given again; the question stays."""
    guided = Guided(test, 2, [(value, 0.0) for value in good])
    question = guided.question
    with pytest.raises(ValueError, match=re.escape(question.text)):
        guided.answer(wrong, 0.0)
    assert guided.question is question
    assert len(guided.answers) == len(good)
