"""After an outage an outlet goes through what waits no faster than it was told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from soakmon.reach.catching_up import CatchUp
from soakmon.reach.influx_outlet import InfluxOutlet
from soakmon.reach.supervise import ReachError
from soakmon.records.outbox import Batch
from soakmon.watch.rows import Rows
from tests.reach.bench import FakeService, bench_with, board_with

MADE_S = 15  # seconds of readings in a batch


def batches(first: int, count: int) -> list[Batch]:
    found = []
    for number in range(first, first + count):
        t_s = np.arange(MADE_S * number, MADE_S * (number + 1), dtype=float)
        rows = Rows(t_s, t_s, t_s, np.zeros((MADE_S, 4)))
        found.append(Batch(number, 1, None, float(t_s[-1]), rows))
    return found


@given(
    times=st.floats(1.5, 10.0),
    waits=st.integers(0, 500),
    steps=st.lists(st.floats(0.1, 60.0), min_size=1, max_size=60),
)
def test_never_faster_than_told_and_never_slower_than_what_comes(times, waits, steps):
    clock = [0.0]
    pace = CatchUp(times, lambda: clock[0])
    left, sent = batches(0, waits), 0
    for step_s in steps:
        clock[0] += step_s
        now = left[: pace.allowed(left)]
        pace.gone(now)
        left, sent = left[len(now) :], sent + len(now)
        # What is let through at once, and one batch that is ahead of its time.
        assert MADE_S * sent <= times * clock[0] + pace.most_s + MADE_S
    if left:
        assert MADE_S * sent >= min(times * steps[-1], pace.most_s) - MADE_S


def test_without_a_pace_all_goes_at_once():
    assert CatchUp(0.0, lambda: 0.0).allowed(batches(0, 100)) == 100


def test_when_a_server_comes_back_nobody_begins_with_more_than_its_share():
    clock = [0.0]
    pace = CatchUp(2.5, lambda: clock[0])
    pace.failed()
    waiting = batches(0, 100)
    assert pace.allowed(waiting) == 0
    clock[0] += 1.0
    assert pace.allowed(waiting) == 1


BAND = {"best": 0.4, "low": 0.1, "high": 0.8}
ESTIMATE = {
    "observed_loss_g": 1.0, "expected_evaporation_g": BAND, "loss_g_per_h": 0.6,
    "expected_g_per_h": BAND, "leak_g_per_h": BAND,
}  # fmt: skip


class Counting:
    """A database that takes all, or nothing."""

    def __init__(self) -> None:
        self.there, self.samples = True, 0
        self.times: list[int] = []

    def write(self, points) -> None:
        if not self.there:
            raise ReachError("invented")
        self.samples += sum(len(point.fields) for point in points)
        self.times += [point.time_ns for point in points if point.measurement != "soak_drops"]

    def ask(self) -> None:
        self.write([])

    def close(self) -> None:
        pass


def test_an_hour_without_the_database_comes_in_order_at_its_pace(tmp_path):
    """On its way back it makes under three times what it makes steadily, estimates and all."""
    service = FakeService(tmp_path, bench_with(influx={"enabled": True, "catch_up": 2.5}))
    writer, section, now_s = Counting(), service.bench.influx, [service.now_s]
    outlet = InfluxOutlet(
        "bench", section, service.journal.path, board_with("influx"),
        wall_s=service.clock.wall_s, writer=lambda _: writer, now_s=lambda: now_s[0],
    )  # fmt: skip
    outlet.open()
    service.start()
    service.journal.connection.execute("PRAGMA synchronous = OFF")

    def pass_s(seconds: int) -> list[int]:
        made = []
        for _ in range(seconds // 10):
            before = writer.samples
            service.rows(1)
            if service.t_s % 300 == 0:
                service.event("estimate", **ESTIMATE)
                service.journal.commit()
            for at_s in (service.now_s - 5, service.now_s):
                now_s[0] = at_s
                try:
                    assert outlet.step() > 0  # a pace needs a rest
                except ReachError:
                    assert not writer.there
            made.append(writer.samples - before)
        return made

    steady = pass_s(1800)[30:]
    a_minute = 60 / 10 * sum(steady) / len(steady)
    writer.there = False
    pass_s(3600)
    assert outlet.outbox.batches_waiting() == 360
    writer.there = True
    back = pass_s(3000)
    assert outlet.outbox.batches_waiting() == outlet.outbox.events_waiting() == 0
    assert max(sum(back[k : k + 6]) for k in range(len(back) - 6)) < 3 * a_minute
    assert sum(back[-30:]) == sum(steady[-30:])
    # In order: no estimate is ahead of the readings by more than what goes out in one piece.
    late_s = [1e-9 * (max(writer.times[: k + 1]) - at) for k, at in enumerate(writer.times)]
    assert max(late_s) <= 60
    outlet.close()
    outlet.outbox.close()
    service.journal.close()


def test_a_pace_that_never_catches_up_is_refused():
    with pytest.raises(ValidationError, match="never catch up"):
        bench_with(influx={"catch_up": 1.0})
