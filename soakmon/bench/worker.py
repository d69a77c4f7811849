"""The worker thread's work: rows and commands, one after the other, out of one queue."""

from __future__ import annotations

import logging
import queue
from collections.abc import Callable
from typing import Any, TypeVar

from soakmon.bench.alarms import Wrong
from soakmon.bench.commands import PendingCommand
from soakmon.bench.edges import Drop
from soakmon.bench.serving import Serving
from soakmon.bench.session import Session
from soakmon.bench.work import Work
from soakmon.errors import named
from soakmon.texts import say

log = logging.getLogger(__name__)
T = TypeVar("T")
# Rows in a row at which the session fails: then it will fail at the next ones as well.
_GIVES_UP_AFTER = 60
SETTLES_WITHIN_S = 3.0


class Worker:
    """asked: the command that is being carried out; failures: rows in a row that failed."""

    def __init__(self, service: Serving) -> None:
        self.service = service
        self.queue: queue.Queue[Work] = queue.Queue()
        self.asked: PendingCommand[Any] | None = None
        self.failures = 0

    def call(self, command: Callable[[], T]) -> PendingCommand[T]:
        """Have a command carried out; cancelling it gives it up while that is possible."""
        asked = PendingCommand(command, self.service.latch.number)
        self.queue.put(Work(asked=asked))
        return asked

    def later(self, action: Callable[[], None]) -> None:
        """Have something done."""
        self.queue.put(Work(action=action))

    def decide(self) -> int:
        """From here on the command changes something; RefusedError when nobody waits for it.

        The number of the latch's note that was known when it was asked for.
        """
        if self.asked is None:
            return self.service.latch.number
        self.asked.decide()
        return self.asked.seen

    def answer_from_disk(self) -> None:
        """Who waits for the command is answered only when the disk has what it did."""
        if self.asked is not None:
            self.asked.lasting = True

    def carry_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        """One piece of work, with the drops held for the next row; those to hold on.

        What the journal is given meanwhile is one transaction.
        """
        with self.service.journal.together():
            held = self._carried_out(work, held)
            if work.row is None:
                self.service.restate()
        if work.asked is not None:
            work.asked.answer(self._why_lost() if work.asked.lasting else "")
        return held

    def _why_lost(self) -> str:
        """Why what was just done would be lost with this process, or "": then it is on disk.

        Nobody may be told that a soak has begun which would be gone after a restart: it ends here.
        """
        journal = self.service.journal
        if journal.settle(SETTLES_WITHIN_S):
            return ""
        trouble = journal.trouble or say("service.disk_does_not_answer")
        why = say("service.disk_did_not_take_beginning", why=trouble)
        if self.service.session is not None:
            _give_up(self.service.session, why)
        return why

    def _carried_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        if work.asked is not None:
            self.asked = work.asked
            work.asked.carry_out()
            self.asked = None
        try:
            if work.action is not None:
                work.action()
            if work.source is not None and work.source is not self.service.sampler:
                # It was waiting behind the start of a soak, and counts time from another beginning.
                return []
            held = held + work.drops
            if work.row is None:
                return held
            self.service.take(work.row, held)
            self.failures = 0
        except Exception as error:  # whatever it was: shut, told, and the worker goes on
            self._failed(error)
            return [] if work.row is not None else held
        return []

    def _failed(self, error: Exception) -> None:
        """The session failed at its work: the first time is told, too many times are its end."""
        self.service.feed.pause()
        self.failures += 1
        text = say("service.service_failed_its_work", error=named(error))
        if self.failures == 1:
            log.error("the session failed", exc_info=error)
            self.service.sound("bench", text, Wrong.FAILED)
        elif self.failures == _GIVES_UP_AFTER and self.service.session is not None:
            _give_up(self.service.session, text)

    def drain(self) -> None:
        """Do all that waits in the queue, in the caller's thread (for stepped runs)."""
        held: list[Drop] = []
        while not self.queue.empty():
            held = self.carry_out(self.queue.get(), held)
        self.service.latch.write()
        self.service.teller.deliver()
        self.service.beats.worker_s = self.service.clock.boot_s()


def _give_up(session: Session, text: str) -> None:
    """It fails at every row: the soak ends with what can be said of it."""
    try:
        session.end(text)
    except Exception:  # nothing more can be said of it here
        log.exception("the soak cannot be ended")
