"""What the bottle weighed, minute by minute over a whole run, less steps that were no fuel."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from statistics import median

from soakmon.physics.belief import effort, judgement
from soakmon.watch.steps import Amendment

# A mass is the median of so many readings, none further away than this.
_NEAR_S = judgement(1800.0, "s")
_FEW = effort(5, "readings")
# Longer without a reading, a flow may have begun meanwhile.
_GAP_S = judgement(300.0, "s")
_HALF_MINUTE_S = effort(30.0, "s")
# Of a flow that has ended so much is yet to go at most, and it must have stood for so long, and for
# such a share of its time.
_REST = judgement(0.03, "share")
_REST_G = judgement(0.5, "g")
_STOOD_S = judgement(900.0, "s")
_STOOD = judgement(0.1, "share")


class MassLog:
    """Averaged masses in g with their times in s; refills and bumps are taken out of them."""

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self.masses_g: list[float] = []
        self.spacing_s = _NEAR_S

    def add(self, t_s: float, mass_g: float, removed_g: float) -> None:
        """A minute's mass, NaN where there is none; removed_g: steps so far that were no fuel."""
        if math.isfinite(mass_g):
            if self.times_s:
                self.spacing_s = min(self.spacing_s, t_s - self.times_s[-1])
            self.times_s.append(t_s)
            self.masses_g.append(mass_g - removed_g)

    def amend(self, amendment: Amendment) -> None:
        """What was taken out, or not, has turned out to be something else."""
        begin = bisect_left(self.times_s, amendment.from_s)
        for place in range(begin, bisect_left(self.times_s, amendment.until_s)):
            self.masses_g[place] += amendment.by_g

    def flow_ended_s(
        self, from_s: float, until_s: float, evaporates_g_per_h: float = 0.0
    ) -> float | None:
        """When a flow that began at from_s had ended, s; None when it went on until until_s.

        A flood is a hundred times what evaporates: once it ends, hardly anything else is lost.
        """
        begin, end = bisect_left(self.times_s, from_s), bisect_right(self.times_s, until_s)
        times_s = self.times_s[begin:end]
        if len(times_s) < 2 * _FEW:
            return None
        masses = [
            mass_g + evaporates_g_per_h * (t_s - from_s) / 3600
            for t_s, mass_g in zip(times_s, self.masses_g[begin:end], strict=True)
        ]
        last_g = median(masses[-_FEW:])
        most_g = last_g + _REST * (median(masses[:_FEW]) - last_g) + _REST_G
        ended_s = next(t for t, m in zip(times_s, masses, strict=True) if m < most_g)
        # What flows evenly to the end has but that rest to go for as long a part of the time.
        stood_s = max(_STOOD_S, _STOOD * (until_s - from_s))
        return ended_s if until_s - ended_s > stood_s else None

    def began_s(self, from_s: float, t_s: float, g_per_h: float) -> float:
        """When a flow of so much that went on at t_s began, s: since when all was lost by then that
        was lost since from_s. NaN where no mass tells.
        """
        begin, end = bisect_left(self.times_s, from_s), bisect_right(self.times_s, t_s)
        if end - begin <= _FEW:
            return math.nan
        lost_g = median(self.masses_g[begin : begin + _FEW]) - self.masses_g[end - 1]
        # A minute's mass is that of its middle.
        return self.times_s[end - 1] - _HALF_MINUTE_S - 3600 * max(lost_g, 0.0) / g_per_h

    def loss_g(self, from_s: float, until_s: float) -> float:
        """Loss between two times, g; NaN where there was no mass within half an hour of them."""
        if not self.times_s or until_s <= from_s:
            return math.nan
        before = bisect_right(self.times_s, from_s)
        after = bisect_left(self.times_s, until_s)
        near = self.times_s[max(before - 1, 0)], self.times_s[min(after, len(self.times_s) - 1)]
        if abs(near[0] - from_s) > _NEAR_S or abs(near[1] - until_s) > _NEAR_S:
            return math.nan
        # The middle of a few: one of them may be a hand on the bottle. What went while nothing was
        # read does not count: how it weighed then, the next reading tells.
        first = self._near(from_s, max(before - _FEW, 0), before)
        first = first or self.masses_g[before : before + 1]
        if not first:
            return math.nan
        # Of a short time only the minutes in it: the median of more lies before it.
        last = self._near(until_s, max(after - _FEW + 1, min(before, after)), after + 1)
        return median(first) - (median(last) if last else self._between(until_s, after))

    def _near(self, t_s: float, begin: int, end: int) -> list[float]:
        """Of the readings between two places those that no gap parts from a time."""
        gap_s = max(_GAP_S, (_FEW + 1) * self.spacing_s)
        return [
            mass_g
            for at_s, mass_g in zip(self.times_s[begin:end], self.masses_g[begin:end], strict=True)
            if abs(at_s - t_s) <= gap_s
        ]

    def _between(self, t_s: float, after: int) -> float:
        """What it weighed at a time in a gap, as if it had fallen evenly; after: the next place."""
        if not 0 < after < len(self.times_s):
            return self.masses_g[min(after, len(self.masses_g) - 1)]
        (from_s, from_g), (to_s, to_g) = (
            (self.times_s[place], self.masses_g[place]) for place in (after - 1, after)
        )
        return from_g + (to_g - from_g) * (t_s - from_s) / (to_s - from_s)
