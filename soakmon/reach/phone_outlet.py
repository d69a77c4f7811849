"""People told of what happens: what waits for each address, and the outlet that sends it."""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from soakmon.bench.bench_status import BenchStatus
from soakmon.config import Bench
from soakmon.reach.aside import Aside
from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.event_inbox import FOR_PEOPLE, EventInbox
from soakmon.reach.health import Board
from soakmon.reach.phone import send, targets_of, understood
from soakmon.reach.reply import ReplyEar, reply_topic
from soakmon.reach.rules import Memory, Policy, Rules
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import PhoneSection
from soakmon.records.journal import Event
from soakmon.records.outbox import Cursor, Outbox

log = logging.getLogger(__name__)
NAME = "phone"
_EVERY_S = 1.0
_STALE_S = 24 * 3600.0


def policy_of(section: PhoneSection, bench: str, *, valve: bool, language: str) -> Policy:
    """The rules' settings; language: of the messages."""
    return Policy(
        bench,
        60 * section.repeat_min,
        60 * section.second_after_min,
        section.trouble_after_s,
        section.trouble_over_s,
        _minutes(section.quiet_from),
        _minutes(section.quiet_to),
        ZoneInfo(section.time_zone) if section.time_zone else None,
        section.link,
        valve,
        section.tell_start,
        language,
    )


def _minutes(clock: str) -> int:
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


class PhoneOutlet:
    """Tells people, step by step in a thread of its own; what waits outlives a restart.

    Alarms come from memory (`EventInbox`) and the journal, whichever is first. They are sent first
    and noted then: what cannot be noted is kept in memory, and told as trouble of the journal. No
    disk is waited for by the thread that sends (`aside`).
    """

    name = NAME

    def __init__(
        self,
        bench: Bench,
        journal: Path,
        board: Board,
        *,
        status: Callable[[], BenchStatus],
        wall_s: Callable[[], float],
        deliver: Callable[..., None] = send,
        now_s: Callable[[], float] = time.monotonic,
        patience_s: float = 1.0,
        heard: EventInbox | None = None,
        acknowledge: Callable[[list[str]], object] = lambda marks: None,
        ear: ReplyEar | None = None,
    ) -> None:
        self.board, self.status, self.wall_s, self.now_s = board, status, wall_s, now_s
        self.outbox = Outbox(journal, NAME)
        self.bench, self.deliver, self.patience_s = bench, deliver, patience_s
        valve = bench.valve.driver != "none"
        service = bench.service
        self.policy = policy_of(
            bench.phone, service.address, valve=valve, language=service.language
        )
        self.rules = Rules(self.policy)
        self.post = DeliveryQueue([], [], deliver, now_s)
        self.heard = heard or EventInbox(FOR_PEOPLE, wall_s)
        self.unknown = ""
        self.taken_up = False
        self.aside = Aside()
        self.noted: tuple[dict[str, Any], Cursor | None] | None = None
        self.unread = self.unnoted = ""
        self.acknowledge, self.ear = acknowledge, ear or ReplyEar(now_s=now_s)
        self.replies: list[str] = []

    def open(self) -> None:
        """Find the addresses, and take up what was left waiting."""
        targets = targets_of(self.bench.phone)
        waiting = self.post.as_memo()
        if not self.taken_up:
            memo = self._left()
            self.rules.memory = Memory.of(memo.get("rules", {}))
            self.heard.remember(memo.get("heard", {}))
            waiting = memo.get("waiting", [])
            self.taken_up = True
        self.post = DeliveryQueue(targets, waiting, self.deliver, self.now_s)
        self.replies = [topic for target in targets if (topic := reply_topic(target.address))]
        # Said now, not when it is needed.
        unknown = [target.name for target in targets if not understood(target)]
        self.unknown = "; ".join(f"{name}: the address is not understood" for name in unknown)

    def _left(self) -> dict[str, Any]:
        """The memo of the last run; nothing when it cannot be read: twice rather than never."""
        try:
            memo = self.aside.do(self.outbox.memo)
            Memory.of(memo.get("rules", {}))
        except (
            sqlite3.Error, TimeoutError, ValueError, KeyError, TypeError, AttributeError
        ) as error:  # fmt: skip
            log.warning("phone: what was told before cannot be read: %s", error)
            return {}
        return memo

    def close(self) -> None:
        """Nothing to close."""

    def step(self) -> float:
        """Take what happened, send what is due, then note it."""
        self._take()
        wall_s = self.wall_s()
        self._hear(wall_s)
        self.rules.look(self._status(), wall_s)
        for note in self.rules.due(wall_s):
            self.post.add(note, wall_s)
        self.post.drop_old(wall_s)
        if self.post.round(self.patience_s):
            self.board.sent(NAME)
        self._note()
        self._lag()
        trouble = self.post.trouble() or self.unknown
        if trouble:
            raise ReachError(trouble, again_s=_EVERY_S)
        return _EVERY_S

    def _hear(self, wall_s: float) -> None:
        """What was acknowledged by a message's button."""
        waiting = self.rules.answerable(wall_s)
        if not waiting or not self.replies:
            return
        for mark in self.ear.hear(self.replies, wall_s - _STALE_S) & set(waiting):
            self.acknowledge(waiting[mark])

    def _take(self) -> None:
        """Take what memory tells, and of the journal what memory has not told already."""
        try:
            events = self.aside.do(self._read)
            self.unread = ""
        except (sqlite3.Error, TimeoutError) as error:
            events = []
            self.unread = f"the journal cannot be read: {error}"
        for event in self.heard.fresh():
            self._heed(event, "")
        for event, title in events:
            # After weeks without a phone nobody wants the alarms of those weeks.
            news = self.wall_s() - event.wall_s <= _STALE_S
            timed = event.kind in {"alarm", "verdict"}
            if not self.heard.again(event) and (news or not timed):
                self._heed(event, title)
            self.outbox.passed(event=event.id)

    def _heed(self, event: Event, title: str) -> None:
        """Give an event to the rules; one that they do not understand must not stop the others."""
        try:
            self.rules.take(event, title)
        except Exception:  # whatever is wrong with it
            log.exception("phone: event %s (%s) is passed over", event.id, event.kind)

    def _read(self) -> list[tuple[Event, str]]:
        """The next events of the journal, each with the title of its soak."""
        return [(event, self.outbox.soak(event.soak)[0]) for event in self.outbox.events()]

    def _status(self) -> BenchStatus:
        """The bench's status, with what this outlet knows of the journal."""
        status = self.status()
        own = self.unread or self.unnoted
        return status.but(journal_trouble=status.journal_trouble or own)

    def _note(self) -> None:
        """Write down what was told and what waits, when it has changed."""
        now = self._memo(), self.outbox.at
        if now == self.noted:
            return

        def write() -> None:
            with self.outbox.together():
                self.outbox.note(now[0])
                self.outbox.move()

        try:
            self.aside.do(write)
        except (sqlite3.Error, TimeoutError) as error:
            self.unnoted = f"what was told cannot be written down: {error}"
        else:
            self.noted, self.unnoted = now, ""

    def _lag(self) -> None:
        since_s = min((letter.wall_s for letter in self.post.letters), default=None)
        self.board.lag(NAME, len(self.post.letters), since_s)

    def _memo(self) -> dict[str, Any]:
        return {
            "rules": self.rules.as_memo(),
            "waiting": self.post.as_memo(),
            "heard": self.heard.as_memo(),
        }
