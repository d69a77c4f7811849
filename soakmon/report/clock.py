"""The shop's clock in a report: when something was, and how long after the start."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from soakmon.texts import say
from soakmon.watch.figures import began, elapsed

# How a sentence of the decider tells times, which owns no clock.
_BETWEEN = re.compile(r"between (\d+):(\d\d) h and (\d+):(\d\d) h after the start")
_AFTER = re.compile(r"(\d+):(\d\d) h after the start")


@dataclass(frozen=True, slots=True)
class RunClock:
    """began: when t_s was 0, by the shop's clock; None: of a recording, nobody knows.

    zone: how that clock is named, as CET.
    """

    began: datetime | None = None
    zone: str = ""

    def at(self, t_s: float) -> str:
        """A time with the time since the start beside it: 22:10 (3:20 h)."""
        return f"{self.hour(t_s)} ({elapsed(t_s)})" if self.began is not None else elapsed(t_s)

    def hour(self, t_s: float) -> str:
        """22:10, or the time since the start where no clock is known.

        Of its whole minute, as the time since the start: so both agree, here and on the page.
        """
        if self.began is None:
            return elapsed(t_s)
        return f"{self.began + timedelta(minutes=round(t_s / 60)):%H:%M}"

    def span(self, lasted_s: float) -> str:
        """How long something went on, and from when to when: 8:00 h, 22:10 to 06:10 CET."""
        if self.began is None:
            return elapsed(lasted_s)
        zone = f" {self.zone}" if self.zone else ""
        return f"{elapsed(lasted_s)}, {self.hour(0.0)} to {self.hour(lasted_s)}{zone}"

    def between(self, low_s: float, high_s: float) -> str:
        """When something began that lies between two times."""
        return self.with_hours(began(low_s, high_s))

    def with_hours(self, text: str) -> str:
        """A sentence of the decider with the shop's hours in place of times after the start."""
        if self.began is None:
            return text
        zone = f" {self.zone}" if self.zone else ""

        def both(match: re.Match[str]) -> str:
            low, high = (self.hour(_seconds(*match.group(i, i + 1))) for i in (1, 3))
            return say("clock.between", low=low, high=high, zone=zone)

        text = _BETWEEN.sub(both, text)
        return _AFTER.sub(lambda m: f"{self.at(_seconds(m[1], m[2]))}", text)


def _seconds(hours: str, minutes: str) -> float:
    return 3600.0 * int(hours) + 60.0 * int(minutes)
