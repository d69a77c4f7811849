"""A soak of the bench that belongs to a job: what the record tells it, and what the job is given.

The bench is simulated, job and calibration are invented.
"""

from __future__ import annotations

import json
import shutil
from datetime import datetime

import pytest

from sim.scenarios import SCENARIOS
from soakmon.app.soak_context import context_provider
from soakmon.bench.commands import RefusedError
from soakmon.records.jobs.store import Records
from soakmon.records.journal import Journal
from soakmon.records.recall import recall
from soakmon.records.run_file import read_run
from soakmon.watch.decide import decide
from soakmon.watch.figures import at_most, between, places_of
from tests.app.job_soaks import LATER_S, calibrate, printed, shown, soak
from tests.bench.stepping import Stepped, short
from tests.desk import Desk

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A job with trouble at carb 2's gasket, its soak, and the report that the service makes."""
    desk = Desk(tmp_path_factory.mktemp("shop") / "data")
    number = desk(
        "job", "new", "--customer", "Łukasz Süß (invented)", "--machine", "750", "--rack", "four"
    ).out.strip()  # fmt: skip
    desk("job", "note", number, "bowl gasket fought back", "--carb", "2")
    desk("job", "note", number, "bowl gasket fought back", "--carb", "1")
    desk("job", "carb", number, "1", "needle_seat_renewed=no")
    calibrate(desk)
    soak(desk.folder, number)
    done = desk("report", number)
    assert done.code == 1, done.err
    return desk, number, done


def test_the_record_shifts_the_causes_of_a_live_soak_and_nothing_else(made):
    desk, number, done = made
    found = recall(desk.folder / "journal.db", number)
    assert set(found.context.shifts) == {1, 2}
    assert found.settings == found.context.applied(found.bench.settings())
    plain = decide(found.rows, found.bench.settings()).verdict
    told = found.again

    def odds(verdict):
        return {(s.cause, s.carb): s.probability for s in verdict.suspects}

    assert odds(told) != odds(plain)
    assert (told.outcome, told.reason, told.leak_g_per_h, told.alarms) == (
        plain.outcome, plain.reason, plain.leak_g_per_h, plain.alarms,
    )  # fmt: skip
    assert "The job record shifted the odds of causes at carb 1, 2" in done.out


def test_the_report_says_what_the_record_told(made):
    desk, _, _ = made
    page = shown(desk.folder / "reports" / "soak-1" / "report.html")
    began = datetime.fromtimestamp(int(LATER_S))
    for word in (
        "What the job record told the decider", "the note tells of trouble with the bowl's joint",
        "bowl gasket or drain plug weeping × 2", "needle and seat were not renewed",
        "Łukasz Süß (invented)", "invented: this is a rehearsal", "Preflight", "acknowledged at",
        "isolating (alarm: carb 1 weeps", "good: calibration", "numpy",
        f"{began:%Y-%m-%d %H:%M} to",
    ):  # fmt: skip
        assert word in page, word


def test_the_job_has_its_report_once(made):
    desk, number, _ = made
    assert "has had it" in desk("report", number).out
    assert "has had it" in desk("report", "1").out
    job = json.loads(desk("job", "show", number, "--json").out)
    (result,) = [one for one in job["results"] if one["kind"] == "rehearsal"]
    assert result["bench"] == "bench"
    assert result["data"]["of_bench"]["soak"] == 1
    # A rack that leaks at its gates teaches nothing about evaporation.
    assert result["data"]["evaporation"] is None
    names = [one["name"] for one in job["attachments"]]
    folder = desk.folder / "reports" / "soak-1"
    assert sorted(names) == sorted(p.name for p in folder.iterdir())
    with Records(desk.folder) as records:
        for one in job["attachments"]:
            kept = records.files.check(one["sha256"]).read_bytes()
            assert kept == (folder / one["name"]).read_bytes(), one["name"]


def test_it_is_made_again_to_the_same_bytes_whatever_has_changed(made, tmp_path):
    desk, number, _ = made
    desk("job", "note", number, "needle grooved, float stuck", "--carb", "3")
    desk("job", "carb", number, "2", "bowl_gasket_renewed=yes")
    calibrate(desk, valid_days=1)
    assert desk("report", number, "--report", str(tmp_path / "again")).code == 1
    first = desk.folder / "reports" / "soak-1"
    for name in ("report.pdf", "report.html", "verdict.json", "readings.csv", "soak.png"):
        assert (tmp_path / "again" / name).read_bytes() == (first / name).read_bytes(), name


def test_report_verdict_and_journal_have_the_same_numbers(made):
    """From the journal's own rows to every number that the report prints."""
    desk, _, _ = made
    folder = desk.folder / "reports" / "soak-1"
    said = json.loads((folder / "verdict.json").read_text())
    journal = Journal(desk.folder / "journal.db")
    entry, rows, events = journal.soaks()[0], journal.read_rows(1), journal.read_events(1)
    journal.close()
    assert entry.verdict.as_dict() == said
    assert next(e.data for e in events if e.kind == "verdict") == said
    again = read_run(folder / "readings.csv")
    assert len(again) == len(rows)
    assert again.mass_g == pytest.approx(rows.mass_g, abs=6e-4, nan_ok=True)
    # What can be counted without the decider.
    assert said["drops"] == [int(n) for n in rows.drops[rows.t_s > 0].sum(axis=0)]
    band, leak = said["expected_evaporation_g"], said["leak_g_per_h"]
    smallest = said["smallest_provable_leak_g_per_h"]
    minutes = round(said["duration_s"] / 60)

    def grams(value):
        return f"{value:.1f} g" if abs(value) >= 10 else f"{value:.2f} g"

    day = {name: 24 * value for name, value in leak.items()}
    interval = between(day["low"], day["high"], places_of(day["best"], 3))
    wanted = [
        f"watched for {minutes // 60}:{minutes % 60:02d} h",
        f"{grams(said['observed_loss_g'])} lost since the soak's clock started; "
        f"evaporation alone explains {grams(band['low'])} "
        f"to {grams(band['high'])} (best {grams(band['best'])})",
        f"{day['best']:.3g} g/day (95 %: {interval} g/day)",
        "none" if smallest is None else f"{at_most(24 * smallest)} g/day",
        said["reason"].partition(", begun")[0],  # when it began is told by the clock
        ", ".join(f"carb {i}: {n}" for i, n in enumerate(said["drops"], start=1)),
        *(alarm["text"] for alarm in said["alarms"]),
        *(fault["text"] for fault in said["faults"]),
    ]
    for text in (printed(folder / "report.pdf"), shown(folder / "report.html")):
        for word in wanted:
            assert word in text, word
        # Two leaks are no rivals: the causes of each have all of its chance.
        carbs = [one["carb"] for one in said["leaks"]]
        assert len(carbs) == 2
        for one in said["suspects"]:
            beside = [s["probability"] for s in said["suspects"] if s["carb"] == one["carb"]]
            chance = one["probability"] / sum(beside)
            if one["carb"] not in carbs:
                continue
            told = "< 1 %" if 0 < chance < 0.005 else f"{100 * chance:.0f} %"
            assert f"{told} " in text


def test_a_soak_begins_only_for_a_job_that_fits(made, tmp_path):
    desk, _, _ = made
    two = desk("job", "new", "--customer", "invented", "--carbs", "2").out.strip()
    shutil.copytree(desk.folder, tmp_path / "data", ignore=shutil.ignore_patterns("journal*"))
    bench = Stepped(tmp_path / "data", SCENARIOS["dry-rack"])
    bench.service.context_for = context_provider(tmp_path / "data", bench.bench, invented=True)
    for job, says in ((two, "has 2 carburettors"), ("2026-9999", "there is no job 2026-9999")):
        with pytest.raises(RefusedError, match=says):
            bench.service.commands.start_soak("t", job, cautions_confirmed=True)
    assert bench.journal.soaks() == []
    bench.journal.close()


@pytest.mark.parametrize(
    ("change", "bench", "says"),
    [
        (None, {}, "none on record"),
        ({}, {}, "good until"),
        ({}, {"g_per_count": 0.00051}, "NOT IN FORCE: bench.toml reads by 0.00051 g per count"),
        ({"valid_days": 1}, {}, "NOT IN FORCE: expired"),
    ],
)
def test_preflight_tells_of_the_calibration(tmp_path, change, bench, says):
    desk = Desk(tmp_path / "data")
    if change is not None:
        calibrate(desk, **change)
    cell = short().cell.model_copy(update=bench)
    described = short().model_copy(update={"cell": cell})
    stepped = Stepped(desk.folder, SCENARIOS["dry-rack"], bench=described)
    stepped.clock.wall_offset_s = LATER_S
    stepped.service.context_for = context_provider(desk.folder, described, invented=True)
    stepped.start()
    stepped.run(0.02)
    (check,) = [one for one in stepped.session.checks if one.name == "calibration"]
    assert says in check.text
    assert check.passed == (says == "good until")
    assert check.warning
    assert stepped.session.phase == "filling"
    stepped.journal.close()


def test_an_unknown_soak_or_job_is_one_line(made):
    desk, _, _ = made
    for word, says in (("9", "no soak 9"), ("2026-0042", "has had no soak"), ("x", "give the num")):
        done = desk("report", word)
        assert done.code == 2
        assert says in done.err
