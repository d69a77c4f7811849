"""A converter that hands out one and the same count is not weighing any more.

Its own noise is 50 nV rms at best (HX711 at 10 readings per second, secondary source), about twenty
counts of 24 bits at gain 128 and 5 V: the same count twenty times over ten seconds is no chance.
"""

from __future__ import annotations

from soakmon.bench.ports import Reading

SAME_FOR_S = 10.0
SAME_TIMES = 20


class FreezeFilter:
    """Turns readings that no longer change into readings without a value."""

    def __init__(self, same_for_s: float = SAME_FOR_S, same_times: int = SAME_TIMES) -> None:
        self.same_for_s = same_for_s
        self.same_times = same_times
        self._count: float | None = None
        self._since_s = 0.0
        self._times = 0

    def look(self, reading: Reading, t_s: float) -> Reading:
        """The reading, or None with the reason when its count stands still; t_s monotonic."""
        if reading.value is None:
            return reading
        if reading.value != self._count:
            self._count, self._since_s, self._times = reading.value, t_s, 1
            return reading
        self._times += 1
        stood_s = t_s - self._since_s
        if self._times >= self.same_times and stood_s >= self.same_for_s:
            return Reading(None, f"frozen: the same count {self._count:.0f} for {stood_s:.0f} s")
        return reading
