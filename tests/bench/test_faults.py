"""Faults injected one by one: each is named in time, and leaves the valve safe."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from typing import Any

import pytest

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.bench.ports import Reading
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.records.journal import Journal
from tests.bench.stepping import Stepped, short


@pytest.fixture
def soaking(tmp_path) -> Stepped:
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8), every_s=2.0)
    bench.start()
    bench.run(1.0)
    assert bench.session.phase == "soaking"
    assert bench.simulation.feed_open
    return bench


def texts(bench: Stepped) -> str:
    events = bench.journal.read_events()
    return " | ".join(e.data.get("text", "") for e in events if e.kind in {"alarm", "fault"})


def test_a_converter_unplugged_shuts_the_feed_in_two_minutes(soaking):
    soaking.simulation.broken = "no answer"
    soaking.run(0.01)
    assert soaking.service.status.cell_trouble == "no answer"
    soaking.run(0.04)
    assert "no usable load-cell reading" in texts(soaking)
    assert not soaking.simulation.feed_open


def test_a_saturated_converter_is_no_mass(soaking):
    soaking.simulation.count = lambda: 8_388_607.0
    soaking.run(0.05)
    assert "no usable load-cell reading" in texts(soaking)
    assert not soaking.simulation.feed_open


def test_a_frozen_converter_is_named_within_half_an_hour(soaking):
    count = soaking.simulation.count()
    soaking.simulation.count = lambda: count
    soaking.run(0.5)
    assert "repeats the same reading" in texts(soaking)


def test_a_lost_thermometer_leaves_the_soak_running(soaking):
    soaking.service.parts.thermometer.read = lambda: Reading(None, "not there")
    soaking.run(0.3)
    assert soaking.service.status.air_c is None
    assert soaking.session.phase == "soaking"
    assert soaking.session.decider.decision().verdict.faults[-1].kind == "temperature_missing"


def test_a_vapour_alarm_shuts_the_feed_at_once(soaking):
    soaking.simulation.vapour = True
    soaking.run(0.001)
    assert "vapour" in texts(soaking)
    assert not soaking.simulation.feed_open


def test_a_valve_that_does_not_shut_is_an_alarm_of_its_own(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    bench.run(0.03)
    leaky: Any = bench.simulation
    leaky.parts_feed = leaky.set_feed

    def stuck(feed_open: bool) -> None:
        """The valve is commanded but does not move."""

    bench.service.parts.valve.shut = lambda: stuck(False)
    real_sample = bench.service.sampler.sample

    def commanded():
        sample, row = real_sample()
        shut = bench.session.phase == "isolating"
        return replace(sample, feed_open=sample.feed_open and not shut), row

    bench.service.sampler.sample = commanded
    bench.run(0.12)
    assert "the valve does not stop the flow" in texts(bench)
    shown = bench.service.status.alarms
    assert [alarm.code for alarm in shown if alarm.kind == "bench"] == [
        "feed_open",
        "valve_failed",
    ]
    assert bench.service.status.shut_itself


def test_a_panel_that_breaks_is_told_and_stops_nothing(soaking):
    whole = soaking.simulation.parts().panel

    def broken(**_):
        raise OSError("no answer")

    soaking.service.parts.panel.show = broken
    soaking.run(0.05)
    assert texts(soaking).count("the panel does not answer (no answer)") == 1
    assert soaking.session.phase == "soaking"
    assert soaking.simulation.feed_open
    soaking.service.parts.panel.show = whole.show
    soaking.run(0.01)
    assert soaking.simulation.buzzer


def test_a_session_that_fails_shuts_the_valve(soaking):
    def broken(row, drops):
        raise RuntimeError("a fault in the program")

    whole, soaking.session.take = soaking.session.take, broken
    soaking.run(0.001)
    assert not soaking.simulation.feed_open
    soaking.session.take = whole
    soaking.run(0.01)
    assert texts(soaking) == "the service failed at its work (RuntimeError: a fault in the program)"
    assert soaking.phases()[-1] == "isolating"
    assert soaking.service.latch.note.code == "failed"
    assert soaking.simulation.buzzer


def test_a_worker_that_hangs_is_noticed_and_the_valve_is_shut(tmp_path):
    """With real threads: sampling goes on while a command blocks the worker."""
    clock = PacedClock(60.0, 1.8e9)
    bench = Bench()
    gain = 1 / bench.cell.g_per_count
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, gain, 0.0)
    service = Service(bench, simulation.parts(), Journal(tmp_path / "j.db"), boot="b")
    service.run()
    hold = threading.Event()
    try:
        simulation.set_feed(True)
        blocked = service.worker.call(lambda: hold.wait(20))
        until = time.monotonic() + 10
        while not service.keeper.hung and time.monotonic() < until:
            hold.wait(0.02)
        assert not simulation.feed_open
        assert "worker" in service.keeper.hung
        assert clock.boot_s() - service.beats.sampler_s < 5
        hold.set()
        assert blocked.result(5)
    finally:
        hold.set()
        service.stop()


def threaded(tmp_path, pace: float) -> tuple[Service, SimulatedBench, PacedClock]:
    clock = PacedClock(pace, 1.8e9)
    bench = Bench()
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, 1 / bench.cell.g_per_count, 0.0)
    service = Service(bench, simulation.parts(), Journal(tmp_path / "j.db"), boot="b")
    return service, simulation, clock


@pytest.mark.alone
def test_a_disk_that_takes_seconds_to_sync_delays_no_sample(tmp_path):
    """Half a real second a commit, at twenty times the pace: ten seconds as the bench sees it."""
    service, _, clock = threaded(tmp_path, 20.0)
    stop = threading.Event()
    quick = service.journal.commit
    service.journal.commit = lambda: (stop.wait(0.5), quick())[1]
    service.run()
    try:
        service.worker.call(
            lambda: service.commands.start_soak("t", None, cautions_confirmed=True)
        ).result(5)
        stop.wait(3.0)
    finally:
        stop.set()
        service.stop()
    rows = Journal(tmp_path / "j.db").read_rows(1)
    assert clock.boot_s() > 55
    assert len(rows) > 40
    assert max(rows.t_s[1:] - rows.t_s[:-1]) < 2.5


@pytest.mark.alone
def test_a_blocked_main_thread_delays_no_sample(tmp_path):
    service, _, _ = threaded(tmp_path, 30.0)
    service.run()
    try:
        service.worker.call(
            lambda: service.commands.start_soak("t", None, cautions_confirmed=True)
        ).result(5)
        before_s = service.beats.sampler_s
        time.sleep(1.0)
        assert service.beats.sampler_s - before_s > 25
    finally:
        service.stop()
    rows = Journal(tmp_path / "j.db").read_rows(1)
    assert max(rows.t_s[1:] - rows.t_s[:-1]) < 3.0
