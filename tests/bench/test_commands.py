"""A command whose caller has gone is not carried out; one that was begun is not called back."""

from __future__ import annotations

import asyncio
import threading

import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench import api
from soakmon.bench.commands import PendingCommand, RefusedError
from tests.bench.stepping import Stepped


def test_given_up_before_its_turn_it_is_not_carried_out():
    done = []
    asked = PendingCommand(lambda: done.append(1))
    assert asked.cancel()
    asked.carry_out()
    asked.answer()
    assert not done
    assert asked.cancelled()


def test_given_up_while_it_only_looks_it_stops_before_it_changes_anything():
    done = []

    def command():
        asked.give_up()
        asked.decide()
        done.append(1)

    asked = PendingCommand(command)
    asked.carry_out()
    asked.answer()
    assert not done
    with pytest.raises(RefusedError, match="nobody waits"):
        asked.result(0)


def test_once_it_changes_something_it_cannot_be_given_up():
    def command():
        asked.decide()
        assert not asked.cancel()
        return 7

    asked = PendingCommand(command)
    asked.carry_out()
    assert not asked.done()
    asked.answer()
    assert asked.result(0) == 7


@pytest.fixture
def late(monkeypatch):
    monkeypatch.setattr(api, "_ANSWERS_WITHIN_S", 0.02)
    monkeypatch.setattr(api, "_ENDS_WITHIN_S", 0.02)


def start(bench: Stepped):
    return bench.service.commands.start_soak("t", None, cautions_confirmed=True)


def test_a_start_that_is_answered_late_is_not_begun(tmp_path, late):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    with pytest.raises(TimeoutError):
        asyncio.run(api.do(bench.service, lambda: start(bench)))
    bench.service.worker.drain()
    assert bench.session is None
    assert bench.journal.soaks() == []
    bench.start()
    bench.run(0.05)
    assert bench.service.status.phase == "filling"


def test_a_start_that_is_given_up_while_records_are_read_is_not_begun(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    whole = bench.service.context_for

    def slow(job, wall_s):
        asked.cancel()
        return whole(job, wall_s)

    bench.service.context_for = slow
    asked = bench.service.worker.call(lambda: start(bench))
    bench.service.worker.drain()
    assert bench.session is None
    assert bench.journal.soaks() == []


def test_a_task_that_is_cancelled_takes_its_command_back(tmp_path):
    """As when the broker goes while a command waits."""
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])

    async def asks():
        task = asyncio.ensure_future(api.do(bench.service, lambda: start(bench)))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(asks())
    bench.service.worker.drain()
    assert bench.session is None


def test_what_is_being_carried_out_is_said_to_be(tmp_path, late):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    begun, end = threading.Event(), threading.Event()

    def command():
        bench.service.worker.decide()
        begun.set()
        end.wait(10)

    def work():
        bench.service.worker.carry_out(bench.service.worker.queue.get(), [])

    real = bench.service.worker.call

    def call(command):
        asked = real(command)
        assert begun.wait(10)
        return asked

    bench.service.worker.call = call
    worker = threading.Thread(target=work)
    worker.start()
    with pytest.raises(TimeoutError, match="still being carried out"):
        asyncio.run(api.do(bench.service, command))
    end.set()
    worker.join(5)


def test_a_command_that_fails_is_the_callers_and_the_worker_goes_on(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    asked = bench.service.worker.call(lambda: 1 / 0)
    bench.service.worker.drain()
    assert isinstance(asked.exception(0), ZeroDivisionError)
    bench.start()
    bench.run(0.05)
    assert bench.service.status.phase == "filling"


def test_a_confirmation_does_not_cover_what_came_up_after_it(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    asked = bench.service.worker.call(lambda: start(bench))
    bench.simulation.vapour = True
    bench.service.sampling.sample()
    bench.simulation.vapour = None
    bench.service.worker.drain()
    with pytest.raises(RefusedError, match="vapour"):
        asked.result(0)
    assert bench.session is None
