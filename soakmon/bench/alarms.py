"""Alarms that the bench raises itself, from whatever thread finds something wrong."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import asdict, replace
from enum import StrEnum

from soakmon.bench.feed import Feed
from soakmon.bench.guard import Trip
from soakmon.bench.teller import Teller, new_uid
from soakmon.texts import say
from soakmon.watch.verdict import Alarm


class Wrong(StrEnum):
    """What the service finds wrong with itself, in words that programs go by as by the guard's."""

    FAILED = "failed"
    THREAD = "thread_ended"
    FEED = "feed_open"
    STALLED = "stalled"
    DEAF = "deaf"
    JOURNAL = "journal"
    PANEL = "panel"
    REPORT = "report"


def of_trip(trip: Trip) -> Alarm:
    """The guard's trip as an alarm."""
    kind = "flood" if trip.kind == "flood" else "bench"
    return Alarm(
        trip.t_s, kind, trip.carb, None, say("alarms.guard", trip=trip.text), trip.code.value
    )


# For so long, what comes and goes is the same trouble, told once unless it shuts the feed again.
_AGAIN_S = 600.0


class Alarms:
    """Shuts, latches and tells at once; the worker takes each into session and journal when it can.

    later: hands the worker something to do. pending: raised, and not yet taken by the worker.
    loose: raised while there was no soak to take them, and acknowledged by nobody.
    """

    def __init__(
        self,
        feed: Feed,
        teller: Teller,
        later: Callable[[Callable[[], None]], None],
        take: Callable[[Alarm, bool], None],
    ) -> None:
        self.feed, self.teller, self.later, self.take = feed, teller, later, take
        self.lock = threading.Lock()
        self.pending: dict[str, Alarm] = {}
        self.loose: list[Alarm] = []
        self.sounded_s: dict[str, float] = {}

    def trouble(self, alarm: Alarm, *, shut: bool) -> None:
        """Raise an alarm of the service itself, unless it was just raised and nothing is new."""
        with self.lock:
            since_s = alarm.t_s - self.sounded_s.get(alarm.code, -math.inf)
            again = 0 <= since_s < _AGAIN_S and (not shut or self.feed.latch.reason is not None)
            if not again:
                self.sounded_s[alarm.code] = alarm.t_s
        if not again:
            self.sound(alarm, shut=shut)
        elif shut:
            self.feed.shut(alarm.text)

    def sound(self, alarm: Alarm, *, shut: bool = True) -> None:
        """Raise an alarm, from any thread and without waiting; shut: the feed must be, and stay."""
        alarm = replace(alarm, uid=new_uid())
        if shut:
            self.feed.shut(alarm.text, alarm.code, asdict(alarm))
        with self.lock:
            self.pending[alarm.uid] = alarm
        self.teller.tell(alarm.t_s, "alarm", asdict(alarm))
        self.later(lambda: self._taken(alarm, shut))

    def _taken(self, alarm: Alarm, shut: bool) -> None:
        self.take(alarm, shut)
        with self.lock:
            self.pending.pop(alarm.uid, None)

    def waiting(self) -> list[Alarm]:
        """Alarms that no soak has taken yet."""
        with self.lock:
            return [*self.loose, *self.pending.values()]
