"""The database: nothing lost, nothing doubled, one bad point does not stop the rest."""

from __future__ import annotations

import json
import logging
import random
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest

from soakmon.errors import InputError
from soakmon.reach import points as made
from soakmon.reach.dashboard import PANELS, dashboard
from soakmon.reach.influx import InfluxWriter
from soakmon.reach.influx_outlet import NAME, InfluxOutlet, backfill
from soakmon.reach.supervise import ReachError
from soakmon.records.outbox import Outbox
from tests.reach.bench import FakeService, bench_with, board_with
from tests.reach.database import TOKEN, Database

VERDICT = {
    "verdict": "leaking", "reason": 'invented "one", two', "observed_loss_g": 4, "drops": [0, 3],
    "leak_g_per_h": {"best": 1, "low": 0.5, "high": None}, "smallest_provable_leak_g_per_h": 0.06,
}  # fmt: skip
BAND = {"best": 1, "low": 0.5, "high": 2.0}
ESTIMATE = {
    "observed_loss_g": 1.0, "expected_evaporation_g": BAND, "leak_g_per_h": BAND,
    "loss_g_per_h": None, "expected_g_per_h": BAND,
}  # fmt: skip

ORIGIN = made.Origin("bench")


@pytest.fixture
def database():
    database = Database()
    yield database
    database.close()


@pytest.fixture
def service(tmp_path, database, monkeypatch):
    monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", TOKEN)
    influx = {"enabled": True, "url": database.url, "timeout_s": 0.3, "batch_points": 40}
    service = FakeService(tmp_path, bench_with(influx=influx))
    yield service
    service.journal.close()


@pytest.fixture
def outlet(service):
    section, path = service.bench.influx, service.journal.path
    outlet = InfluxOutlet("bench", section, path, board_with(NAME), wall_s=service.clock.wall_s)
    outlet.open()
    yield outlet
    outlet.close()
    outlet.outbox.close()


def night(service, batches=60):
    service.start("J 17, left")
    service.event("phase", phase="filling", reason="")
    for index in range(batches):
        service.rows()
        service.event("estimate", **ESTIMATE)
        if index % 20 == 5:
            service.alarm("weep", 1, "one")
            service.alarm("weep", 2, "two")
    service.event("fault", t_s=1.0, kind="bump", text="invented")
    service.event("ack", alarms=[0, 1])
    service.event("verdict", **VERDICT)


def expected(service) -> set[tuple[str, str | None, int]]:
    outbox = Outbox(service.journal.path, "truth")
    points = [p for b in outbox.batches_of(1) for p in made.of_batch(ORIGIN, b)]
    for event in outbox.events_of(1):
        points += made.of_event(ORIGIN, "J 17, left", event)
    outbox.close()
    return {(p.measurement, p.tags.get("carb"), p.time_ns) for p in points}


def stored(database) -> list[tuple[str, str | None, int]]:
    found = []
    for series, time_ns in database.points:
        name, *tags = series.replace("\\,", ";").split(",")
        found.append((name, dict(t.split("=") for t in tags).get("carb"), time_ns))
    return found


def drive(outlet, most=400):
    """Step until everything is out; how many steps failed."""
    failed = 0
    for _ in range(most):
        try:
            if outlet.step() > 0:
                return failed
        except ReachError:
            failed += 1
    raise AssertionError("it did not come to an end")


def test_a_night_without_trouble(database, service, outlet):
    night(service)
    assert drive(outlet) == 0
    assert sorted(stored(database), key=str) == sorted(expected(service), key=str)
    assert outlet.outbox.batches_waiting() == outlet.outbox.events_waiting() == 0
    readings = next(f for (s, _), f in database.points.items() if s.startswith("soak_readings"))
    assert readings["mass_g"] == pytest.approx(300, abs=0.1)
    assert all(isinstance(v, float | str) for f in database.points.values() for v in f.values())
    names = {series.split(",")[0] for series, _ in database.points}
    assert names == {
        "soak_readings", "soak_drops", "soak_estimate", "soak_phase", "soak_alarm", "soak_ack",
        "soak_fault", "soak_verdict", "soak_info",
    }  # fmt: skip


def test_errors_timeouts_and_partial_writes_lose_and_double_nothing(database, service, outlet):
    night(service)
    rng = random.Random(11)
    kinds = [(503, "busy"), (500, "error"), (429, "slow down"), (0, "hang"),
             (0, "written, then silent"), (404, "not yet")]  # fmt: skip
    database.trouble = [rng.choice(kinds) for _ in range(12)]
    # One batch's readings conflict with what the server holds: partial writes.
    bad_ns = sorted(t for s, t in expected_times(service, "soak_readings"))[7]
    database.bad = lambda line: line.startswith("soak_readings") and line.endswith(str(bad_ns))
    assert drive(outlet) >= 12
    missing = expected(service) - set(stored(database))
    assert missing == {("soak_readings", None, bad_ns)}
    assert len(stored(database)) == len(set(stored(database)))
    parked = outlet.outbox.connection.execute("SELECT outlet, reason, payload FROM poison")
    rows = parked.fetchall()
    assert len(rows) == 1
    assert rows[0][0] == NAME
    assert "partial write" in rows[0][1]
    assert json.loads(rows[0][2])["time_ns"] == bad_ns
    assert outlet.board.listed()[0].parked == 1
    assert outlet.board.listed()[0].lag == 0


def expected_times(service, measurement):
    return {(name, t) for name, _, t in expected(service) if name == measurement}


def test_too_large_requests_are_split(database, service, outlet):
    night(service)
    database.largest = 2000
    drive(outlet)
    assert set(stored(database)) == expected(service)
    assert database.requests[413] > 3


@pytest.mark.parametrize("status", [429, 503])
def test_the_wait_that_the_server_asks_for_is_kept(database, service, outlet, status):
    night(service, 2)
    in_a_minute = format_datetime(datetime.now(UTC) + timedelta(seconds=60), usegmt=True)
    for header, least_s, most_s in [("7", 7, 7), ("86400", 900, 900), (in_a_minute, 40, 61)]:
        database.trouble, database.retry_after = [(status, "not now")], header
        with pytest.raises(ReachError, match=f"{status}: not now") as problem:
            outlet.step()
        assert least_s <= problem.value.again_s <= most_s
    for header in ("", "soon"):
        database.trouble, database.retry_after = [(status, "not now")], header
        with pytest.raises(ReachError) as problem:
            outlet.step()
        assert problem.value.again_s is None
    drive(outlet)
    assert set(stored(database)) == expected(service)


def test_a_bad_point_is_put_aside_once_though_its_piece_is_sent_again(database, service, outlet):
    night(service, 20)
    times = sorted(t for s, t in expected_times(service, "soak_readings"))
    database.bad = lambda line: line.startswith("soak_read") and line.endswith(str(times[2]))
    there = iter([*[True] * 9, False])  # the server goes away while the piece is being split
    whole = database.answer
    database.answer = lambda *request: whole(*request) if next(there, True) else (503, "busy")
    assert drive(outlet) == 1
    assert set(stored(database)) == expected(service) - {("soak_readings", None, times[2])}
    parked = outlet.outbox.connection.execute("SELECT count(*) FROM poison").fetchone()
    assert parked == (1,)


def test_after_an_outage_points_come_in_order(database, service, outlet):
    night(service)
    drive(outlet)
    for measurement in ("soak_readings", "soak_estimate", "soak_alarm"):
        times = [int(li.rpartition(" ")[2]) for li in database.order if li.startswith(measurement)]
        assert times == sorted(times)
        assert len(times) > 5


def test_what_was_sent_before_a_crash_is_sent_again_and_overwrites(database, service, outlet):
    night(service)
    outlet.outbox.connection.execute("UPDATE cursor SET batch = 0, event = 0")
    drive(outlet)
    first = dict(database.points)
    again = InfluxOutlet(
        "bench",
        service.bench.influx,
        service.journal.path,
        board_with(NAME),
        wall_s=service.clock.wall_s,
    )
    again.outbox.move(batch=0, event=0)
    again.open()
    drive(again)
    again.close()
    again.outbox.close()
    assert database.points == first
    assert len(database.order) == 2 * len(first)


def test_a_wrong_token_waits_and_is_not_told(database, service, outlet, monkeypatch, caplog):
    monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", "another-secret-word")
    outlet.close()
    outlet.open()
    night(service, 3)
    with caplog.at_level(logging.DEBUG), pytest.raises(ReachError, match="401") as problem:
        outlet.step()
    assert "secret" not in caplog.text + str(problem.value)
    assert outlet.outbox.batches_waiting() == 3
    assert database.points == {}


def test_without_a_token_it_is_said(tmp_path):
    with pytest.raises(InputError, match="no token"):
        InfluxWriter(bench_with().influx)
    with pytest.raises(InputError, match=r"influx.token_file: .*No such file"):
        InfluxWriter(bench_with(influx={"token_file": str(tmp_path / "none")}).influx)


def test_an_event_that_makes_no_sense_is_put_aside(service, outlet, database):
    service.start()
    service.event("alarm", says="nothing")
    service.alarm()
    outlet.step()
    assert outlet.outbox.events_waiting() == 0
    assert outlet.board.listed()[0].parked == 1
    assert any(series.startswith("soak_alarm") for series, _ in database.points)


def test_a_database_that_is_not_there(service, outlet, database):
    night(service, 2)
    database.close()
    with pytest.raises(ReachError) as problem:
        outlet.step()
    assert str(problem.value) == "the database does not answer: Connection refused"


def test_an_idle_bench_notices_that_its_database_is_gone(service, outlet, database):
    assert outlet.step() > 0
    assert not database.points
    database.close()
    outlet.step()  # asked a moment ago
    outlet.asked_s -= 61
    with pytest.raises(ReachError, match="does not answer: Connection refused"):
        outlet.step()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"bucket": "other"}, "answers 404: bucket not found"), ({}, "answers 401: unauthorized")],
)
def test_an_idle_bench_notices_that_it_may_not_write(service, database, monkeypatch, wrong, said):
    if not wrong:
        monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", "another-token")
    section = service.bench.influx.model_copy(update=wrong)
    outlet = InfluxOutlet(
        "bench", section, service.journal.path, board_with(NAME), wall_s=service.clock.wall_s
    )
    outlet.open()
    with pytest.raises(ReachError, match=said):
        outlet.step()
    outlet.close()
    outlet.outbox.close()


def test_a_database_that_says_nothing_is_said_in_words(service, outlet, database):
    night(service, 1)
    database.trouble = [(0, "hang")]
    with pytest.raises(ReachError) as problem:
        outlet.step()
    assert str(problem.value) == "the database does not answer: nothing came in time"


def test_backfill(database, service):
    night(service)
    section, path = service.bench.influx, service.journal.path
    writer = InfluxWriter(section)
    for name in ("1", "J 17, left"):
        told = backfill("bench", section, path, name, writer)
        assert told == {"soaks": [1], "points": len(expected(service)), "refused": []}
        assert set(stored(database)) == expected(service)
    with pytest.raises(InputError, match="no soak or job 9"):
        backfill("bench", section, path, "9", writer)
    writer.close()


def test_only_the_info_names_job_and_soak(database, service, outlet):
    night(service)
    drive(outlet)
    own = (service.journal.path.parent / "bench_id").read_text().strip()
    for (series, _), values in database.points.items():
        name, *tags = series.replace("\\,", ";").split(",")
        if name == "soak_info":
            assert set(tags) == {
                "bench=bench", f"bench_id={own}", "soak=1", r"job=J\ 17;\ left",
            }  # fmt: skip
            assert values == {"running": 1.0}
        else:
            assert {tag.split("=")[0] for tag in tags} <= {"bench", "carb"}
            assert not {"soak", "t_s", "job"} & set(values)


def test_as_earlier_versions_made_them_when_asked_for(service):
    night(service, 6)
    outbox = Outbox(service.journal.path, "truth")
    origin = made.Origin("bench", "0123456789ab", by_job=True)
    points = [p for b in outbox.batches_of(1) for p in made.of_batch(origin, b)]
    points += [p for event in outbox.events_of(1) for p in made.of_event(origin, "J", event)]
    outbox.close()
    assert {p.measurement for p in points} >= {"soak_readings", "soak_drops", "soak_alarm"}
    assert "soak_info" not in {p.measurement for p in points}
    assert all(p.fields["soak"] == 1.0 and "job" in p.tags for p in points)


def test_fields_are_floats_or_text_only():
    found = made.fields(a=1, b=True, c=None, d=float("nan"), e="", f="x", g=2.5)
    assert found == {"a": 1.0, "b": 1.0, "f": "x", "g": 2.5}
    assert {type(value) for value in found.values()} == {float, str}


def test_the_dashboard_shows_fields_that_exist(database, service, outlet):
    night(service)
    drive(outlet)
    stored_fields: dict[str, set[str]] = {}
    for (series, _), values in database.points.items():
        stored_fields.setdefault(series.split(",")[0], set()).update(values)
    for title, _, _, measurement, names, _ in PANELS:
        # The invented night has no loss rate and no reasons.
        missing = set(names) - stored_fields[measurement] - {"loss_g_per_h", "reason"}
        assert not missing, title
    found = json.loads(json.dumps(dashboard(service.bench.influx)))
    places = [panel["gridPos"] for panel in found["panels"]]
    cells = {(x, p["y"]) for p in places for x in range(p["x"], p["x"] + p["w"])}
    assert len(cells) == sum(p["w"] for p in places)  # nothing overlaps
    assert all(p["x"] + p["w"] <= 24 for p in places)
