"""No thread ends unnoticed, and no exception leaves the feed open or the bench silent."""

from __future__ import annotations

import threading
import time

import pytest

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.bench.commands import RefusedError
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.records.journal import Journal
from soakmon.records.latch import Latch
from soakmon.records.recall import recall
from soakmon.watch.phase import Phase
from tests.bench.stepping import Stepped, short


class EndError(BaseException):
    """Nothing catches it."""


def ending(*_, **__):
    raise EndError("invented")


def once(teller) -> None:
    """Ends its thread the first time; whoever tells in its place can."""
    left, whole = [1], teller._hand_on

    def told(*news):
        if left:
            left.pop()
            ending()
        whole(*news)

    teller._hand_on = told


@pytest.mark.parametrize(
    ("name", "breaks"),
    [
        ("sampler", lambda service: setattr(service.sampling, "sample", ending)),
        ("worker", lambda service: setattr(service.worker, "carry_out", ending)),
        ("keeper", lambda service: setattr(service.keeper, "keep", ending)),
        (
            "teller",
            lambda service: once(service.teller),
        ),
        ("scribe", lambda service: setattr(service.latch, "wait_for_change", ending)),
        ("air", lambda service: setattr(service.sampling, "read_air", ending)),
    ],
)
def test_a_thread_that_ends_shuts_latches_and_tells(tmp_path, name, breaks):
    clock = PacedClock(10.0, 1.8e9)
    # A busy machine must not make another thread look silent.
    bench = Bench.model_validate({"guard": {"hung_s": 3600}})
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, 1 / bench.cell.g_per_count, 0.0)
    fell, heard = threading.Event(), []
    service = Service(
        bench, simulation.parts(), Journal(tmp_path / "j.db"), boot="b",
        fell=lambda text: fell.set(),
    )  # fmt: skip
    service.listeners.append(lambda *told: heard.append(told))
    service.run()
    try:
        service.worker.call(
            lambda: service.commands.start_soak("t", None, cautions_confirmed=True)
        ).result(10)
        service.session.phase = Phase.FILLING
        assert service.session.open_feed() == ""
        breaks(service)
        service.teller.tell(0.0, "phase", {})
        assert fell.wait(20)
        until_s = time.monotonic() + 20
        while not any(kind == "alarm" for _, kind, _ in heard) and time.monotonic() < until_s:
            time.sleep(0.01)
        codes = {data["code"] for _, kind, data in heard if kind == "alarm"}
        assert "thread_ended" in codes
        assert name in service.fallen[0]
        assert not simulation.feed_open
        assert simulation.buzzer
        assert Latch(tmp_path / "latch").note.code == "thread_ended"
    finally:
        service.stop()


# -- exceptions ------------------------------------------------------------------------------------


def failing(*_, **__):
    raise RuntimeError("a fault in the program")


@pytest.fixture
def filling(tmp_path) -> Stepped:
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8))
    bench.start()
    bench.run(0.06)
    assert bench.session.phase == "filling"
    return bench


def texts(bench: Stepped) -> list[str]:
    return [e.data["text"] for e in bench.journal.read_events() if e.kind == "alarm"]


def test_one_exception_in_sampling_is_in_the_soak(filling):
    count = filling.simulation.count
    filling.simulation.count = failing
    filling.run(2 / 3600)
    assert not filling.simulation.feed_open
    filling.simulation.count = count
    filling.run(2 / 3600)
    assert texts(filling) == ["the bench cannot be read (RuntimeError: a fault in the program)"]
    assert filling.session.phase == "isolating"
    assert filling.session.shut_itself
    filling.run(0.1)
    assert not filling.simulation.feed_open
    filling.service.commands.end("by command")
    verdict = filling.journal.soaks()[0].verdict
    assert "the bench shut the feed" in verdict.reason
    assert [alarm.text for alarm in verdict.alarms] == texts(filling)
    assert not recall(filling.journal.path).differs


def test_while_the_bench_cannot_be_read_nobody_opens_the_feed(filling):
    """Not for the moment until the next reading fails, either: vapour would not be seen."""
    count = filling.simulation.count
    filling.simulation.count = failing
    filling.run(2 / 3600)
    with pytest.raises(RefusedError, match="cannot be read"):
        filling.service.commands.resume_feed(cautions_confirmed=True)
    assert not filling.simulation.feed_open
    filling.simulation.count = count
    filling.run(2 / 3600)
    filling.service.commands.resume_feed(cautions_confirmed=True)
    assert filling.simulation.feed_open


def test_a_trouble_that_comes_and_goes_shuts_each_time_and_is_told_once(filling):
    count = filling.simulation.count
    for _ in range(5):
        filling.simulation.count = failing
        filling.run(2 / 3600)
        filling.simulation.count = count
        filling.run(2 / 3600)
    assert len(texts(filling)) == 1
    filling.service.commands.resume_feed(cautions_confirmed=True)
    filling.run(2 / 3600)
    filling.simulation.count = failing
    filling.run(2 / 3600)
    assert not filling.simulation.feed_open
    assert filling.session.phase == "isolating"
    assert len(texts(filling)) == 2


def test_a_session_that_fails_at_every_row_is_ended_and_told_once(filling):
    filling.session.take = failing
    filling.run(90 / 3600)
    assert filling.session.ended
    assert texts(filling) == [
        "the service failed at its work (RuntimeError: a fault in the program)"
    ]
    assert len(filling.journal.soaks()) == 1
    assert filling.journal.soaks()[0].verdict is not None


def test_a_thermometer_that_raises_is_a_missing_temperature(tmp_path):
    clock = PacedClock(60.0, 1.8e9)
    bench = Bench()
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, 1 / bench.cell.g_per_count, 0.0)
    asked = threading.Semaphore(0)

    def broken():
        asked.release()
        raise RuntimeError("a fault in the program")

    service = Service(bench, simulation.parts(), Journal(tmp_path / "j.db"), boot="b")
    service.parts.thermometer.read = broken
    service.run()
    try:
        for _ in range(3):
            assert asked.acquire(timeout=10)
        assert service.fallen == []
    finally:
        service.stop()


def test_a_latch_that_cannot_be_written_is_told(filling, monkeypatch):
    def broken(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("soakmon.records.latch.os.pwrite", broken)
    filling.service.commands.isolate("by command")
    filling.run(3 / 3600)
    assert not filling.simulation.feed_open
    (text,) = texts(filling)
    assert "cannot be written" in text
    assert "cannot be written" in filling.service.status.journal_trouble


def test_a_journal_that_cannot_be_written_is_told_once_for_each_time(filling):
    filling.journal.connection.execute("PRAGMA query_only = 1")
    filling.run(60 / 3600)
    filling.journal.connection.execute("PRAGMA query_only = 0")
    filling.run(60 / 3600)
    (text,) = texts(filling)
    assert "cannot be written" in text
    assert filling.simulation.feed_open
    assert filling.session.phase in {"filling", "settling"}
