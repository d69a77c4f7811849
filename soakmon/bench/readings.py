"""What the bench reads now and has read of late, soak or none: for tests by hand and commands."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any

from soakmon.bench.edges import Drop
from soakmon.bench.ports import Clock
from soakmon.bench.recent import Recent
from soakmon.bench.sampler import WEIGHED_OVER, Scale
from soakmon.bench.sampling import Sampling
from soakmon.watch.figures import rounded
from soakmon.watch.rows import Rows

_STEADY_G = 0.2
_AIR_LOG_EVERY_S, _AIR_LOG_LENGTH = 600.0, 288


class Readings:
    """The cell now, drops and rest of the last half hour, and the shop's air of two days.

    Kept by the worker alone; others may look without a lock.
    """

    def __init__(self, sampling: Sampling, clock: Clock) -> None:
        self.sampling, self.clock = sampling, clock
        self.recent = Recent()
        self.air_c: float | None = None
        self.air_log: tuple[tuple[float, float], ...] = ()

    def take(self, row: Rows, drops: Iterable[Drop]) -> None:
        """A second's row with its drops."""
        wall_s, air_c = self.clock.wall_s(), float(row.air_c[-1])
        self.recent.take(row, drops, wall_s)
        self.air_c = rounded(air_c, 2)
        due = not self.air_log or wall_s - self.air_log[-1][0] >= _AIR_LOG_EVERY_S
        if due and math.isfinite(air_c):
            self.air_log = (*self.air_log[1 - _AIR_LOG_LENGTH :], (wall_s, air_c))

    def weigh(self) -> Weighed:
        """What is on the cell now: mean and scatter over the last seconds."""
        return weighed(self.sampling.sampler.recent_counts, self.sampling.scale)

    def mean_air_c(self, since_wall_s: float) -> float | None:
        """Mean shop temperature since a wall time, °C, as far back as two days."""
        temperatures = [air_c for wall_s, air_c in self.air_log if wall_s >= since_wall_s]
        return round(sum(temperatures) / len(temperatures), 2) if temperatures else self.air_c

    def seen(self, since_wall_s: float) -> dict[str, Any]:
        """Drops, and the cell at rest, since a wall time."""
        return {
            "drops": self.recent.drops(since_wall_s),
            "still": self.recent.still(since_wall_s),
        }


@dataclass(frozen=True, slots=True)
class Weighed:
    """The cell over the last seconds: mean net mass and its scatter in g, the mean in counts."""

    mass_g: float | None
    noise_g: float | None
    counts: float | None
    steady: bool


def weighed(recent_counts: tuple[float, ...], scale: Scale) -> Weighed:
    """What the newest seconds of the cell say, oldest first; nothing when one is missing."""
    if len(recent_counts) < WEIGHED_OVER or not all(map(math.isfinite, recent_counts)):
        return Weighed(None, None, None, steady=False)
    grams = [(count - scale.zero_counts) * scale.g_per_count for count in recent_counts]
    steady = max(grams) - min(grams) <= _STEADY_G
    counts = round(fmean(recent_counts), 2)
    return Weighed(round(fmean(grams), 4), round(stdev(grams), 4), counts, steady)
