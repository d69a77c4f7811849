"""Waits between tries, outlets that fail and come back, and what is logged of it."""

from __future__ import annotations

import asyncio
import logging
import random
import sqlite3
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.errors import InputError
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board, State
from soakmon.reach.supervise import LeftBehind, ReachError, ThreadRunner, supervise
from tests.reach.bench import board_with


@given(
    first=st.floats(0.01, 10), times=st.floats(1, 1000), tries=st.integers(1, 2000),
    seed=st.integers(0, 999),
)  # fmt: skip
def test_waits_stay_under_a_ceiling_that_only_rises_to_the_cap(first, times, tries, seed):
    backoff = Backoff(first, first * times, random.Random(seed).random)
    ceilings = []
    for _ in range(tries):
        ceilings.append(backoff.ceiling_s)
        assert 0 <= backoff.next_s() <= ceilings[-1] <= first * times
    assert ceilings == sorted(ceilings)
    assert ceilings[0] == pytest.approx(first)
    backoff.reset()
    assert backoff.ceiling_s == pytest.approx(first)


def test_the_jitter_is_full():
    rng = random.Random(5)
    waits = []
    for _ in range(4000):
        backoff = Backoff(1.0, 8.0, rng.random)
        backoff.tries = 10
        waits.append(backoff.next_s())
    # Uniform from 0 to 8: mean 4, sd 8/√12; four standard errors.
    assert abs(sum(waits) / len(waits) - 4) < 4 * 8 / 12**0.5 / 4000**0.5
    assert min(waits) < 0.1
    assert max(waits) > 7.9


def test_the_cap_is_not_below_the_first():
    with pytest.raises(ValueError, match="first_s"):
        Backoff(2.0, 1.0)


async def test_a_task_that_fails_is_started_again_and_logged_once_per_change(caplog):
    board = board_with("mqtt")
    story = [ReachError("no broker")] * 5 + [None, ValueError("a bug"), InputError("no file"), None]
    done = []
    slept = []

    async def work():
        outcome = story[len(done)]
        done.append(outcome)
        if outcome is not None:
            raise outcome
        board.up("mqtt")
        if len(done) == len(story):
            raise asyncio.CancelledError

    async def sleep(seconds):
        slept.append(seconds)

    with caplog.at_level(logging.INFO), pytest.raises(asyncio.CancelledError):
        await supervise("mqtt", work, board, Backoff(1.0, 4.0, lambda: 1.0), sleep)
    assert len(done) == len(story)
    assert slept == [1, 2, 4, 4, 4, 4, 4, 4]
    told = [r.message for r in caplog.records if r.name == "soakmon.reach.health"]
    assert told == [
        "mqtt: no broker; trying again", "mqtt: works",
        "mqtt: failed: ValueError; trying again", "mqtt: works",
    ]  # fmt: skip
    assert board.listed()[0].restarts == 1


def test_a_thread_that_fails_is_started_again(caplog):
    class Outlet:
        name = "influx"

        def __init__(self):
            self.opened = self.closed = self.steps = 0

        def open(self):
            self.opened += 1
            if self.opened == 1:
                raise InputError("token: no such file")

        def step(self):
            self.steps += 1
            if self.steps == 1:
                raise ReachError("no answer")
            if self.steps == 2:
                raise RuntimeError("a bug")
            if self.steps == 5:
                runner.stopping.set()
            return 0.0

        def close(self):
            self.closed += 1

    outlet = Outlet()
    board = board_with("influx")
    runner = ThreadRunner(outlet, board, Backoff(0.001, 0.002))
    runner.start()
    runner.thread.join(10)
    assert not runner.thread.is_alive()
    assert (outlet.steps, outlet.opened, outlet.closed) == (5, 3, 3)
    found = board.listed()[0]
    assert (found.state, found.restarts) == ("up", 1)
    assert "a bug" in caplog.text


def test_an_outlet_that_hangs_is_not_well():
    now = [0.0]
    board = Board(now_s=lambda: now[0])
    board.add("phone", State.STARTING)
    board.up("phone")
    now[0] = 59.0
    assert board.listed()[0].state == "up"
    now[0] = 61.0
    assert board.listed()[0].state == "down"
    assert board.listed()[0].last_error == "no sign of life for 61 s"
    board.up("phone")
    assert board.listed()[0].state == "up"


def test_a_journal_that_cannot_be_read_is_no_bug(caplog):
    class Outlet:
        name = "influx"

        def open(self):
            pass

        def step(self):
            runner.stopping.set()
            raise sqlite3.OperationalError("database is locked")

        def close(self):
            pass

    board = board_with("influx")
    runner = ThreadRunner(Outlet(), board, Backoff(0.001, 0.002))
    runner.run()
    assert board.listed()[0].last_error == "the journal: database is locked"
    assert "Traceback" not in caplog.text


async def test_a_call_that_hangs_keeps_no_process_alive():
    pool = LeftBehind()
    asyncio.get_running_loop().set_default_executor(pool)
    let_go = threading.Event()
    hanging = asyncio.ensure_future(asyncio.to_thread(let_go.wait, 20))
    assert await asyncio.to_thread(lambda: 7) == 7
    with pytest.raises(KeyError):
        await asyncio.to_thread({}.__getitem__, "none")
    await asyncio.wait_for(asyncio.get_running_loop().shutdown_default_executor(), 1)
    assert all(one.daemon for one in threading.enumerate() if one.name == "left-behind")
    let_go.set()
    assert await hanging
