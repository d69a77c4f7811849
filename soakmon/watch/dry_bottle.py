"""Notices that the bottle has run dry: it feeds nothing then, whatever the valve does."""

from __future__ import annotations

import math
from collections import deque

from soakmon.physics.belief import judgement
from soakmon.watch.averaging import Average

# A bottle is dry when it has been so for so many minutes: no spike empties it.
_DRY_STEPS = judgement(3, "minutes")
# And from this share of its fill on, or so many grams, it holds fuel (judgement).
_DRY_SHARE = judgement(0.01, "share")
_DRY_G = judgement(1.0, "g")
# What it held is looked for in so many readings before, and so much of it stood until it emptied.
_BEFORE = judgement(15, "readings")
_STOOD = judgement(0.95, "share")
_POURED_G = judgement(10.0, "g")
# One that weighs again what it held, to that, was not empty: it was off its hook, or not weighed.
_AGAIN_G = judgement(1.0, "g")


class DryBottle:
    """Follows the averaged mass; empty_s: when the bottle first ran dry, s, NaN: it has not."""

    def __init__(self, fill_ml: float) -> None:
        self.least_g = _DRY_SHARE * fill_ml + _DRY_G
        self.steps = 0
        self.empty_s = math.nan
        # The last minutes in which it held fuel, and the first in which it did not, s.
        self.held: deque[Average] = deque(maxlen=_BEFORE)
        self.since_s = math.nan
        # Whether the cell has read one and the same nothing ever since.
        self.frozen = False

    @property
    def dry(self) -> bool:
        """Whether it is dry now."""
        return self.steps >= _DRY_STEPS

    @property
    def just_dry(self) -> bool:
        """Whether this minute is the one that shows it."""
        return self.steps == _DRY_STEPS

    def step(self, average: Average) -> None:
        """Take the next minute; one without a mass says nothing."""
        if average.mass_g > self.least_g:
            self._holds(average)
        elif math.isfinite(average.mass_g):
            if not self.steps:
                self.since_s = average.t_s
            self.frozen = average.frozen and (self.frozen or not self.steps)
            self.steps += 1
            if self.steps == _DRY_STEPS and not math.isfinite(self.empty_s):
                self.empty_s = average.t_s

    def _holds(self, average: Average) -> None:
        """It holds fuel, and if it is what it held before, it did all the time."""
        again = self.dry and self.held and abs(average.mass_g - self.held[-1].mass_g) < _AGAIN_G
        if again and self.empty_s >= self.since_s:
            self.empty_s = math.nan
        self.steps = 0
        self.held.append(average)

    @property
    def poured_g_per_h(self) -> float:
        """How fast it emptied from when it last stood; 0 where hardly anything was left by then.

        Of a bottle that was empty before nobody knows whether it was filled, or carried a weight.
        Nor does a cell weigh anything that repeats a nothing to the digit and nothing else.
        """
        held, again = self.held, self.empty_s < self.since_s
        if not held or again or (self.frozen and not any(one.frozen for one in held)):
            return 0.0
        # One reading alone may be a hand on it.
        most_g = sorted(one.mass_g for one in held)[-min(2, len(held))]
        if most_g < self.least_g + _POURED_G:
            return 0.0
        stood_s = max(one.t_s for one in held if one.mass_g >= _STOOD * most_g)
        return most_g / max(self.since_s - stood_s, 60.0) * 3600
