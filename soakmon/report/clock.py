"""The shop's clock in a report: when something was, and how long after the start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

_SAME_S = 900.0


def elapsed(t_s: float) -> str:
    """Time since the start as hours and minutes: 5:07 h."""
    minutes = round(t_s / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h"


@dataclass(frozen=True, slots=True)
class Clock:
    """began: when t_s was 0, by the shop's clock; None: of a recording, nobody knows.

    zone: how that clock is named, as CET.
    """

    began: datetime | None = None
    zone: str = ""

    def at(self, t_s: float) -> str:
        """A time with the time since the start beside it: 22:10 (3:20 h)."""
        return f"{self.hour(t_s)} ({elapsed(t_s)})" if self.began is not None else elapsed(t_s)

    def hour(self, t_s: float) -> str:
        """22:10, or the time since the start where no clock is known."""
        if self.began is None:
            return elapsed(t_s)
        return f"{self.began + timedelta(seconds=t_s):%H:%M}"

    def between(self, low_s: float, high_s: float) -> str:
        """When something began that lies between two times."""
        named = f" {self.zone}" if self.began is not None and self.zone else ""
        before = f"between {self.hour(low_s)} and {self.hour(high_s)}"
        if high_s - low_s < _SAME_S:
            before = f"about {self.hour((low_s + high_s) / 2)}"
        after = "" if self.began is not None else " after the start"
        return f"{before}{named}{after}"
