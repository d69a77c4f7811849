"""What the bottle weighs, as the guard takes it: robust to spikes, however rare the readings."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

# The span of one level: all readings of so many seconds, or the last few where they come rarely.
_SPAN_S = 5.0
_READINGS = 5
# Two readings cannot outvote a spike.
_LEAST_READINGS = 3


class Level(NamedTuple):
    """A median of readings, in g, at the middle of their times."""

    t_s: float
    mass_g: float


class Levels:
    """Medians of the last readings; longest_s: readings older than this tell nothing of now."""

    def __init__(self, longest_s: float) -> None:
        self.longest_s = longest_s
        self.readings: deque[Level] = deque()

    def add(self, t_s: float, mass_g: float) -> Level | None:
        """The level with this reading, or None while there are too few to outvote a spike."""
        readings = self.readings
        readings.append(Level(t_s, mass_g))
        while readings[0].t_s < t_s - self.longest_s:
            readings.popleft()
        while len(readings) > _READINGS and readings[0].t_s < t_s - _SPAN_S:
            readings.popleft()
        if len(readings) < _LEAST_READINGS:
            return None
        masses = sorted(reading.mass_g for reading in readings)
        return Level((readings[0].t_s + t_s) / 2, masses[len(masses) // 2])
