"""A soak of the bench that belongs to a job: what the record tells it, and what the job is given.

The bench is simulated, job and calibration are invented.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import time
import tomllib
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import pytest
from sqlalchemy import select

from sim.scenarios import SCENARIOS
from soakmon.app.order import snapshot
from soakmon.app.soak_context import context_for, context_provider
from soakmon.bench.commands import RefusedError
from soakmon.bench.preflight import check_context
from soakmon.bench_toml import parse_bench
from soakmon.config import PRIVATE
from soakmon.records.identity import bench_id
from soakmon.records.jobs.models import StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result
from soakmon.records.journal import Journal
from soakmon.records.recall import recall
from soakmon.records.run_file import read_run
from soakmon.records.soak_context import context_from
from soakmon.watch.decide import decide
from soakmon.watch.figures import at_most, between, places_of
from tests.bench.stepping import Stepped, short
from tests.desk import Desk

# The commands know the day; the simulated soaks are a month later.
LATER_S = time.time() + 30 * 86400
GAIN = 0.0005
CALIBRATION = {
    "capacity_g": 2000,
    "valid_days": 3660,
    "steps": [
        {"mass_g": m, "reading": m / GAIN, "up": up}
        for up, masses in ((True, (0, 500, 1000, 2000)), (False, (1000, 500, 0)))
        for m in masses
    ],
}


def calibrate(desk: Desk, **changes) -> None:
    path = desk.folder.parent / "calibration.json"
    path.write_text(json.dumps({**CALIBRATION, **changes}))
    assert desk("bench", "calibrate", "--from", str(path)).code == 0


def soak(folder: Path, job: str | None, scenario: str = "two-leaks", hours: float = 4.0) -> Stepped:
    """A soak from start to end, as the service runs it."""
    bench = Stepped(folder, SCENARIOS[scenario], bench=short(hours, isolate_min=20), every_s=2.0)
    bench.clock.wall_offset_s = LATER_S
    bench.service.context_for = context_provider(folder, bench.bench, invented=True)
    bench.service.sampling.read_air()
    bench.service.commands.start_soak("invented rack", job, cautions_confirmed=True)
    bench.run(hours + 7)
    bench.service.commands.acknowledge()
    assert bench.session.ended
    bench.journal.close()
    return bench


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


def printed(path: Path) -> str:
    document = pypdfium2.PdfDocument(path)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return " ".join(text.replace("\ufffe", "").split())


def shown(path: Path) -> str:
    text = re.sub(r"<style>.*?</style>|data:image/[^\"]*", " ", path.read_text(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


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


PRIVATE_SPELLINGS = (
    "[phone]\nurls = ['json://hunter2']", "[ phone ]\nurls = ['json://hunter2']",
    '["phone"]\nurls = ["json://hunter2"]', "phone.urls = ['json://hunter2']",
    "'phone'.\"urls\" = ['json://hunter2']", "phone = {urls = ['json://hunter2']}",
    '["\\u0070hone"]\nurls = ["json://hunter2"]', "lookout.beat_url = 'http://hunter2'",
    "mqtt = {user = 'hunter2'}", "influx . org = 'hunter2'",
    "page = {host = 'hunter2', plain_on_network = true}",
    "# [phone] urls = ['json://hunter2']", "# the broker's password is hunter2",
)  # fmt: skip


@pytest.mark.parametrize("private", PRIVATE_SPELLINGS)
def test_a_report_keeps_to_itself_where_messages_go(private):
    """However it is spelt, and in comments too; what the bench is like stays."""
    own = f"bottle.fill_ml = 450 # hunter2\n{private}\n"
    for given in (True, False):
        shown = snapshot(parse_bench(own), given=given)
        assert "hunter2" not in shown
        assert not PRIVATE & set(tomllib.loads(shown))
        assert tomllib.loads(shown)["bottle"]["fill_ml"] == 450
    assert tomllib.loads(snapshot(parse_bench(own), given=True)) == {"bottle": {"fill_ml": 450}}


def test_a_tight_soak_teaches_the_next_ones(tmp_path):
    """One soak of thirteen hours, without a job; two more like it; then a new one begins."""
    desk = Desk(tmp_path / "data")
    plain = short(13.0)
    described = plain.model_copy(
        update={"soak": plain.soak.model_copy(update={"criterion_g_per_day": 20.0})}
    )
    bench = Stepped(desk.folder, SCENARIOS["dry-rack"], bench=described, every_s=5.0)
    bench.service.context_for = context_provider(desk.folder, described, invented=True)
    bench.service.commands.start_soak("invented rack", None, cautions_confirmed=True)
    bench.run(14)
    assert bench.session.ended
    done = desk("report", "1")
    assert done.code == 0
    assert "kept for the bench's later soaks" in done.out
    # Once, however often its report is asked for.
    assert desk("report", "1").code == 0
    with Records(desk.folder) as records, records.session() as session:
        (kept,) = session.scalars(select(StoredResult))
        assert kept.job_id is None
        assert kept.data["evaporation"]["spare_g"] > 5
        for _ in range(2):
            add_result(session, None, kept.at, kind=kept.kind, summary="another",
                       data=kept.data, bench=kept.bench)  # fmt: skip
    bench.service.commands.start_soak("the next", None, cautions_confirmed=True)
    bench.run(0.02)
    past = bench.session.settings.priors.past
    assert past.soaks == 3
    assert past.scale != 1.0
    priors = bench.session.settings.priors
    assert priors.doubted < priors.doubt
    (check,) = [one for one in bench.session.checks if one.name == "past soaks"]
    assert check.passed
    assert check.text == past.text
    bench.service.commands.end("enough")
    bench.run(0.02)
    bench.journal.close()
    assert recall(desk.folder / "journal.db", 2).settings.priors.past == past
    done = desk("report", "2")
    assert done.code == 3, done.out
    assert past.text in shown(desk.folder / "reports" / "soak-2" / "report.html")
    # A real bench does not learn from rehearsals.
    assert context_provider(desk.folder, described, invented=False)(None, LATER_S).past.soaks == 0


def test_two_benches_of_one_name_that_share_their_records_do_not_teach_each_other(tmp_path):
    desk = Desk(tmp_path / "data")
    bench = parse_bench("")
    of = {
        "bottle": asdict(bench.settings().geometry.bottle),
        "hose": asdict(bench.settings().geometry.hose),
        "fuel": asdict(bench.settings().fuel),
    }
    del of["bottle"]["fill_ml"]
    evaporation = {"lost_g": 5.0, "feed_g": 4.0, "bowls_g": 1.0, "spare_g": 6.0, "of": of}
    calibrate(desk)
    own = bench_id(desk.folder)
    with Records(desk.folder) as records, records.session() as session:
        for _ in range(3):
            add_result(
                session, None, datetime.now(UTC), kind="soak", summary="tight",
                data={"evaporation": evaporation, "bench_id": own}, bench="bench",
            )  # fmt: skip

    def told():
        return context_for(desk.folder, None, 4, datetime.now(UTC), bench)

    assert told().past.soaks == 3
    assert "g per count" in told().calibration
    assert told().namesake == ""
    # Another bench that has the same records and the same name, but not the same data folder.
    (desk.folder / "bench_id").write_text("0123456789ab\n")
    assert told().past.soaks == 0
    assert "none on record" in told().calibration
    assert "another bench in these records is named bench too" in told().namesake
    (check,) = [one for one in check_context(told()) if one.name == "name"]
    assert not check.passed
    assert context_from(told().as_dict()).namesake == told().namesake


DRIP = {
    "gate": 1,
    "rates": [
        {
            "cup_g": [20, 20.5], "bottle_g": [450, 449.49], "minutes": 1440, "drops": 60,
            "first_min": 12,
        },
    ],
}  # fmt: skip


@pytest.mark.parametrize(("lost_g", "word"), [(0.51, "found 0.5 g/day"), (0.1, "DID NOT FIND")])
def test_a_known_leak_stands_in_preflight_report_and_capability(tmp_path, lost_g, word):
    desk = Desk(tmp_path / "data")
    form = json.loads(json.dumps(DRIP))
    form["rates"][0]["bottle_g"][1] = 450 - lost_g
    path = tmp_path / "drip.json"
    path.write_text(json.dumps(form))
    good = lost_g > 0.4
    assert desk("bench", "drip", "--from", str(path)).code == (0 if good else 1)
    told = context_for(desk.folder, None, 4, datetime.now(UTC), short())
    assert word in told.reference
    nights = desk("capability", "--nights", "1", "--tight", "--jobs", "1")
    assert f"This bench: {told.reference}" in nights.out.replace("\n", " ")
    (check,) = [one for one in check_context(told) if one.name == "known leak"]
    assert (check.passed, check.warning, check.text) == (good, True, told.reference)
    assert context_from(told.as_dict()).reference == told.reference
    bench = Stepped(desk.folder, SCENARIOS["dry-rack"], bench=short(1.0), every_s=2.0)
    bench.service.context_for = context_provider(desk.folder, bench.bench, invented=True)
    bench.start()
    bench.run(2.0)
    bench.journal.close()
    assert desk("report", "1").code == 3  # an hour proves nothing
    (page,) = desk.folder.glob("reports/*/report.html")
    assert told.reference in page.read_text(encoding="utf-8")
