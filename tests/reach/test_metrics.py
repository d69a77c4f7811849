"""A day's outage in the middle of a soak, against a real server: zero lost, zero doubled."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from sim.parts import SimulatedBench, SteppedClock
from sim.scenarios import SCENARIOS
from soakmon.reach.influx import InfluxWriter
from soakmon.reach.influx_outlet import NAME, InfluxOutlet
from soakmon.reach.supervise import ReachError
from soakmon.records.identity import bench_id
from soakmon.records.journal import Journal
from soakmon.watch.verdict import Alarm
from tests.bench.stepping import Stepped
from tests.reach.bench import bench_with, board_with
from tests.reach.metrics import Metrics, Series

pytestmark = pytest.mark.long

# The server refuses what lies in the future.
START_WALL_S = 1_700_000_000.0
BEFORE_H, OUTAGE_H, AFTER_H = 1, 12, 1
JOB = "J 17, left=right"
Samples = dict[Series, list[tuple[int, float]]]


@pytest.fixture
def server(tmp_path):
    server = Metrics(tmp_path).start()
    yield server
    server.stop()


@pytest.fixture
def bench(tmp_path, server, monkeypatch):
    monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", "invented")
    described = bench_with(
        influx={"enabled": True, "url": server.url}, service={"name": "left", "soak_h": 48}
    )
    clock = SteppedClock(START_WALL_S)
    counts_per_g = 1 / described.cell.g_per_count
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, counts_per_g, 0.0, hours=30)
    bench = Stepped(
        tmp_path, SCENARIOS["dry-rack"], bench=described, every_s=5.0, simulation=simulation
    )
    bench.service.sampling.read_air()
    yield bench
    bench.journal.close()


def begin(bench):
    bench.service.commands.start_soak("invented rack", JOB, cautions_confirmed=True)


def outlet_of(bench, writer=InfluxWriter):
    section, path = bench.bench.influx, bench.journal.path
    outlet = InfluxOutlet(
        "left", section, path, board_with(NAME), wall_s=bench.clock.wall_s, writer=writer
    )
    outlet.open()
    return outlet


def close(outlet):
    outlet.close()
    outlet.outbox.close()


def caught_up(outlet):
    while outlet.step() == 0:
        pass
    assert outlet.outbox.batches_waiting() == outlet.outbox.events_waiting() == 0


def of_journal(path) -> Samples:
    """What the server must hold, from the journal's own rows and events: numbers are themselves,
    texts are 0.
    """
    found: Samples = {}
    journal = Journal(path)
    times = dict(journal.connection.execute("SELECT id, wall_s FROM batch"))

    def put(measurement, wall_s, carb=None, **values):
        tags = {("bench", "left")} | ({("carb", str(carb))} if carb else set())
        if measurement == "soak_info":
            tags |= {("job", JOB), ("soak", "1"), ("bench_id", bench_id(path.parent))}
        for name, value in values.items():
            if value is None or value == "" or value != value:  # noqa: PLR0124 - NaN
                continue
            number = 0.0 if isinstance(value, str) else float(value)
            series = f"{measurement}_{name}", frozenset(tags)
            found.setdefault(series, []).append((round(1e3 * wall_s), number))

    for number, rows in journal.batches(1):
        put(
            "soak_readings", times[number], air_c=np.mean(rows.air_c),
            mass_g=np.nanmean(rows.mass_g) if np.isfinite(rows.mass_g).any() else None,
            feed_open=np.mean(rows.feed_open),
        )  # fmt: skip
        for carb, drops in enumerate(rows.drops.T, start=1):
            if np.isfinite(drops).any():
                put("soak_drops", times[number], carb, drops=np.nansum(drops))
    for event in journal.read_events(1):
        _event(put, event)
    journal.close()
    return {series: sorted(pairs) for series, pairs in found.items()}


def _event(put, event):
    own, data = {}, event.data
    if event.kind in {"phase", "estimate"}:
        ended = data.get("phase") == "ended"
        put("soak_info", event.wall_s + 0.001 * ended, running=not ended)
    if event.kind == "phase":
        put("soak_phase", event.wall_s, **own, phase=data["phase"], reason=data["reason"])
    elif event.kind == "alarm":
        leak = data["leak_g_per_h"]
        own |= {"kind": data["kind"], "leak_g_per_h": leak, "text": data["text"]}
        put("soak_alarm", event.wall_s, data["carb"], **own)
    elif event.kind in {"ack", "fault"}:
        put(f"soak_{event.kind}", event.wall_s, **own, kind="a word", text="a text")
    elif event.kind == "estimate":
        own |= {key: data[key] for key in ("observed_loss_g", "loss_g_per_h")}
        for key in ("expected_evaporation_g", "expected_g_per_h", "leak_g_per_h"):
            own |= {f"{key}_{edge}": data[key][edge] for edge in ("best", "low", "high")}
        put("soak_estimate", event.wall_s, **own)


def doubles(samples: Samples) -> int:
    return sum(n - 1 for pairs in samples.values() for n in Counter(pairs).values())


def test_half_a_day_without_the_server_in_the_middle_of_a_soak(bench, server):
    outlet = outlet_of(bench)
    begin(bench)
    for _ in range(6 * BEFORE_H):
        bench.run(1 / 6)
        caught_up(outlet)
    before = sum(map(len, server.samples().values()))
    server.stop()
    bench.every_s = 15.0
    for hour in range(OUTAGE_H):
        bench.run(1)
        if hour == 5:
            bench.session.take_alarm(Alarm(bench.session.t_s, "bench", 2, 1.25, "invented trouble"))
            bench.service.commands.acknowledge()
        with pytest.raises(ReachError, match="does not answer"):
            outlet.step()
    assert outlet.outbox.batches_waiting() > 1000
    server.start()
    caught_up(outlet)
    bench.run(AFTER_H)
    caught_up(outlet)
    close(outlet)

    held, expected = server.samples(), of_journal(bench.journal.path)
    assert bench.phases()[-1] == "soaking"
    assert {name for name, _ in held} >= {"soak_alarm_leak_g_per_h", "soak_ack_kind"}
    assert sum(map(len, held.values())) > 10 * before
    assert held.keys() == expected.keys()
    for series, pairs in expected.items():
        assert [at for at, _ in held[series]] == [at for at, _ in pairs], series
        values = np.array([value for _, value in pairs])
        assert np.allclose([v for _, v in held[series]], values, rtol=1e-12, atol=1e-12), series
    assert doubles(held) == 0


class Dies(BaseException):
    """The power goes."""


class Failing(InfluxWriter):
    """Writes, and then the power goes before anybody hears of it."""

    def write(self, points):
        super().write(points)
        raise Dies


def test_after_a_crash_between_sending_and_noting_a_piece_comes_twice_and_is_one(bench, server):
    dying = outlet_of(bench, Failing)
    begin(bench)
    bench.run(1)
    with pytest.raises(Dies):
        dying.step()
    close(dying)
    again = outlet_of(bench)
    caught_up(again)
    close(again)
    held, expected = server.samples(), of_journal(bench.journal.path)
    # As they are: some came twice, with the same time and value; nothing else is there.
    assert 0 < doubles(held) <= 6 * bench.bench.influx.batch_points
    once = {series: sorted(set(pairs)) for series, pairs in held.items()}
    assert {series: len(pairs) for series, pairs in once.items()} == {
        series: len(pairs) for series, pairs in expected.items()
    }
    # And told to remove doubles, the server does.
    server.stop()
    server.start("-dedup.minScrapeInterval=1ms")
    assert server.samples() == once


def test_a_further_soak_adds_one_series(bench, server):
    """Of those that name a job, as all once did: the others are of the bench, for ever."""
    outlet = outlet_of(bench)
    named = []
    for _ in range(3):
        begin(bench)
        bench.run(0.3)
        if not bench.session.ended:
            bench.service.commands.end("enough")
        bench.run(0.1)
        caught_up(outlet)
        named.append({s for s in server.samples() if any(tag == "job" for tag, _ in s[1])})
    close(outlet)
    assert [len(series) for series in named] == [1, 2, 3]
    assert {name for name, _ in named[-1]} == {"soak_info_running"}
