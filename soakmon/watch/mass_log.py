"""What the bottle weighed, minute by minute over a whole run, less steps that were no fuel."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from statistics import median

from soakmon.physics.belief import effort, judgement

# A mass is the median of so many readings, none further away than this.
_NEAR_S = judgement(1800.0, "s")
_FEW = effort(5, "readings")
# Of a flow that has ended so much is yet to go at most, and it must have stood for so long.
_REST = judgement(0.03, "share")
_REST_G = judgement(0.5, "g")
_STOOD_S = judgement(900.0, "s")


class MassLog:
    """Averaged masses in g with their times in s; refills and bumps are taken out of them."""

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self.masses_g: list[float] = []

    def add(self, t_s: float, mass_g: float, removed_g: float) -> None:
        """A minute's mass, NaN where there is none; removed_g: steps so far that were no fuel."""
        if math.isfinite(mass_g):
            self.times_s.append(t_s)
            self.masses_g.append(mass_g - removed_g)

    def flow_ended_s(self, from_s: float, until_s: float) -> float | None:
        """When a flow that began at from_s had ended, s; None when it went on until until_s.

        A flood is a hundred times what evaporates: once it ends, hardly anything is lost.
        """
        begin, end = bisect_left(self.times_s, from_s), bisect_right(self.times_s, until_s)
        masses = self.masses_g[begin:end]
        if len(masses) < 2 * _FEW:
            return None
        last_g = median(masses[-_FEW:])
        most_g = last_g + _REST * (median(masses[:_FEW]) - last_g) + _REST_G
        ended_s = next(
            t for t, m in zip(self.times_s[begin:end], masses, strict=True) if m < most_g
        )
        return ended_s if until_s - ended_s > _STOOD_S else None

    def loss_g(self, from_s: float, until_s: float) -> float:
        """Loss between two times, g; NaN where there was no mass within half an hour of them."""
        before = bisect_right(self.times_s, from_s)
        first = self.masses_g[max(before - _FEW, 0) : before] or self.masses_g[:1]
        after = bisect_left(self.times_s, until_s)
        last = self.masses_g[max(after - _FEW + 1, 0) : after + 1]
        if not last or until_s <= from_s:
            return math.nan
        near = self.times_s[max(before - 1, 0)], self.times_s[min(after, len(self.times_s) - 1)]
        if abs(near[0] - from_s) > _NEAR_S or abs(near[1] - until_s) > _NEAR_S:
            return math.nan
        # The middle of a few: one of them may be a hand on the bottle.
        return median(first) - median(last)
