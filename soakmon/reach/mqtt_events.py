"""Events of a bench as they go out by MQTT: from the journal, or from memory where it is late."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from soakmon.reach.echo import Echo
from soakmon.reach.event_inbox import EventInbox, uid
from soakmon.reach.mqtt import Link
from soakmon.reach.topics import Message, Topics, of_event
from soakmon.records.journal import Event
from soakmon.records.outbox import Outbox

log = logging.getLogger(__name__)
_PIECE = 50
_JOURNAL_S = 1.0  # an alarm that the journal tells within this keeps its number
_REMEMBERS = 1000


class EventPublisher:
    """Publishes events and moves the cursor; now_s: a clock for waiting, in s.

    Alarms come from the journal, with their numbers; those that it does not tell within a second go
    out from memory, and not once more when it tells them.
    """

    def __init__(
        self, topics: Topics, echo: Echo, outbox: Outbox, heard: EventInbox,
        now_s: Callable[[], float],
    ) -> None:  # fmt: skip
        self.topics, self.echo, self.outbox, self.heard = topics, echo, outbox, heard
        self.now_s = now_s
        self.early: dict[str, tuple[float, Event]] = {}
        self.sent: dict[str, None] = {}  # marks of the alarms that have gone out, the latest

    def next(self) -> list[Event]:
        """Write down what has gone out, and read what comes next: work for the disk."""
        self.write_down()
        return self.outbox.events(_PIECE)

    def write_down(self) -> None:
        """Move the cursor on the disk to where it is in memory."""
        if self.outbox.written != self.outbox.at:
            with suppress(sqlite3.Error):  # next time, then
                self.outbox.move()

    async def publish(self, link: Link, events: list[Event]) -> None:
        """Publish events of the journal, and move on behind each that has gone out."""
        sent = events[0].id - 1
        try:
            for event in events:
                await self._publish_event(link, event)
                sent = event.id
        finally:
            # Also when the connection broke: else a wire that is cut often would send the same for
            # ever. In memory alone: the task may be on its way out.
            self.outbox.passed(event=sent)

    def take_heard(self) -> None:
        """Take from memory what the journal has not told yet."""
        now_s = self.now_s()
        for event in self.heard.fresh():
            if uid(event) not in self.sent:
                self.early[uid(event)] = now_s, event

    async def publish_early(self, link: Link, soak: int | None) -> None:
        """Publish alarms of a soak from memory that the journal is late to tell."""
        for since_s, event in list(self.early.values()):
            if self.now_s() - since_s >= _JOURNAL_S:
                await self._publish_event(link, replace(event, soak=soak))

    async def _publish_event(self, link: Link, event: Event) -> None:
        key = uid(event)
        # Alarms of old journals have no mark: those that look alike may be two.
        if key not in self.sent or "uid" not in event.data:
            for message in self._messages(event):
                await self.echo.publish(link, message)
        if event.kind == "alarm":
            self.early.pop(key, None)
            self.sent[key] = None
            while len(self.sent) > _REMEMBERS:
                self.sent.pop(next(iter(self.sent)))

    def _messages(self, event: Event) -> list[Message]:
        """What is published of an event; one that makes no sense must not stop the others."""
        try:
            return of_event(self.topics, event)
        except Exception:  # whatever is wrong with it
            log.exception("mqtt: event %s (%s) is passed over", event.id, event.kind)
            return []
