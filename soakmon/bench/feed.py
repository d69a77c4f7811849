"""The one hand on the feed valve. Whoever wants it open asks here; shutting asks nobody."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Any

from soakmon.bench.guard import PASSING, Code, Trip
from soakmon.bench.ports import Valve
from soakmon.records.latch import Latch, LatchEntry
from soakmon.texts import say

log = logging.getLogger(__name__)
# Shut because somebody wanted it shut.
ORDINARY = "ordinary"


class Feed:
    """Valve, latch and the guard's levels.

    levels: the limits that are broken now; unseen: why nobody sees them, "" when somebody does.
    wanted: whether the feed was last commanded open; trouble: why the valve could not be shut.
    """

    def __init__(
        self,
        valve: Valve,
        latch: Latch,
        levels: Callable[[], Sequence[Trip]],
        wall_s: Callable[[], float],
    ) -> None:
        self.valve, self.latch, self.levels, self.wall_s = valve, latch, levels, wall_s
        self.lock = threading.Lock()
        self.wanted = False
        self.confirmed = False
        self.closed = False
        self.unseen = ""
        self.forgiven: frozenset[Code] = frozenset()
        self.stray_opens = 0
        self.trouble = ""
        # How often somebody began to shut the valve, and was done with it.
        self.counting = threading.Lock()
        self.begun = self.done = 0

    def confirm(self, seen: int) -> str:
        """Somebody at the bench has confirmed the cautions: the latch may be lifted once.

        seen: the number of the note that was known then; what came since is not confirmed, and is
        the answer.
        """
        with self.lock:
            if self.latch.number != seen:
                return self._latched()
            self.confirmed = True
            return ""

    def begin(self, seen: int) -> str:
        """The same for a soak that begins, with the feed shut until its preflight has passed."""
        self.pause()
        with self.lock:
            if self.latch.number != seen:
                return self._latched()
            text = say("feed.soak_has_begun_its_feed")
            self.latch.hold(text, ORDINARY, self.wall_s())
            self.confirmed = True
            return ""

    def why_shut(self) -> str:
        """What keeps the feed from being opened now; "" when nothing does."""
        if self.closed:
            return say("feed.service_stopping")
        if self.unseen:
            return self.unseen
        for trip in self.levels():
            # What has happened is forgiven by who confirms the cautions; what lasts is not.
            if trip.code in PASSING or not self.confirmed:
                return trip.text
        return "" if self.confirmed else self._latched()

    def _latched(self) -> str:
        return "; ".join(self.latch.reasons)

    def open(self) -> str:
        """Open the feed; why it stays shut, or ""."""
        with self.lock:
            # What is latched from here on was not known to who confirmed.
            seen = self.latch.number
            if why := self.why_shut():
                return why
        if self.latch.reason is not None and (why := self.latch.lift(seen)):
            return why
        with self.lock:
            if why := self.why_shut():
                return why
            self.forgiven = frozenset(trip.code for trip in self.levels())
            self.confirmed, self.wanted = False, True
            self.valve.open()
        return ""

    def shut(self, reason: str, code: str = ORDINARY, alarm: dict[str, Any] | None = None) -> None:
        """Shut the feed, and latch it in memory: only a person opens it again."""
        self.pause()
        with self.lock:
            self.confirmed = self.wanted = False
            if _outweighs(alarm, self.latch.note):
                self.latch.hold(reason, code, self.wall_s(), alarm)
            else:
                self.latch.add(reason)
        # Once more: it may just have been opened.
        self.pause()

    def close(self) -> None:
        """Shut it for good, without latching it: the service is only stopping."""
        self.closed = True
        self.pause()

    def pause(self) -> None:
        """Shut the feed without latching it: the bench itself may open it again."""
        with self.counting:
            self.begun += 1
        self.wanted = False
        try:
            self.valve.shut()
        except Exception as error:  # whatever it was, the rest of the safe way must go on
            log.exception("the valve cannot be shut")
            self.trouble = say("feed.valve_cannot_shut_close_tap", error=error)
        else:
            self.trouble = ""
        finally:
            with self.counting:
                self.done += 1

    def seen_open(self) -> None:
        """The guard has seen the feed open: from here on its limits are those of this opening."""
        self.forgiven = frozenset()

    def hold(self) -> None:
        """Keep it shut while it must be; `stray_opens`: how often it was open all the same."""
        with self.lock:
            begun, quiet = self.begun, self.begun == self.done
            broken = any(trip.code not in self.forgiven for trip in self.levels())
            must = not self.wanted or self.latch.reason is not None or broken
            if must and self.valve.is_open:
                # Who is just shutting it in another thread has not found it open.
                self.stray_opens += quiet and begun == self.begun
                self.pause()


def _outweighs(alarm: dict[str, Any] | None, note: LatchEntry | None) -> bool:
    """Whether an alarm, or a wish (None), takes the place of what is noted.

    The first alarm is the cause and stays: it must not get lost when no journal can be written.
    Only a flood is more than any trouble.
    """
    if note is None or note.alarm is None:
        return True
    floods = alarm is not None and alarm["kind"] == "flood"
    return floods and note.alarm["kind"] != "flood"
