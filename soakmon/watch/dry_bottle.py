"""Notices that the bottle has run dry: it feeds nothing then, whatever the valve does."""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement
from soakmon.watch.averaging import Average

# A bottle is dry when it has been so for so many minutes: no spike empties it.
_DRY_STEPS = judgement(3, "minutes")
# And from this share of its fill on, or so many grams, it holds fuel (judgement).
_DRY_SHARE = judgement(0.01, "share")
_DRY_G = judgement(1.0, "g")


class DryBottle:
    """Follows the averaged mass; empty_s: when the bottle first ran dry, s, NaN: it has not."""

    def __init__(self, fill_ml: float) -> None:
        self.least_g = _DRY_SHARE * fill_ml + _DRY_G
        self.steps = 0
        self.empty_s = math.nan

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
            self.steps = 0
        elif math.isfinite(average.mass_g):
            self.steps += 1
            if self.steps == _DRY_STEPS and not math.isfinite(self.empty_s):
                self.empty_s = average.t_s
