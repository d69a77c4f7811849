"""Fuel that leaves the bottle thinly and steadily: a rack that fills through a kink or a clog.

A fast fill shows within minutes. This one takes hours, and no look back over minutes finds where
it began.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement

# No evaporation, creep or draught goes on at this pace; a thinner fill than this takes five hours.
THIN_G_PER_MIN = judgement(0.4, "g/min")
# It is the middle one of the losses between so many readings.
_OVER = effort(10, "readings")


class ThinFlow:
    """Since when fuel has flowed, s, and what the bottle weighed then, g; NaN while none flows."""

    def __init__(self) -> None:
        self.readings: list[tuple[float, float]] = []
        self.since_s = self.from_g = math.nan

    @property
    def flows(self) -> bool:
        """Whether fuel flows."""
        return math.isfinite(self.since_s)

    @property
    def g_per_min(self) -> float:
        """The pace by the last readings: a hand on the bottle, or a knock, does not move it."""
        if len(self.readings) <= _OVER:
            return 0.0
        t_s, mass_g = np.array(self.readings).T
        return float(np.median(-np.diff(mass_g) / np.maximum(np.diff(t_s), 1.0))) * 60.0

    def step(self, t_s: float, mass_g: float, *, falls: bool) -> None:
        """Take the next averaged reading; falls: it drops out under the bowls, and fills none."""
        self.readings.append((t_s, mass_g))
        del self.readings[: -_OVER - 1]
        if falls or self.g_per_min < THIN_G_PER_MIN:
            self.since_s = self.from_g = math.nan
        elif not self.flows:
            # Not the highest one: that may have been the hand which opened the tap.
            self.since_s = self.readings[0][0]
            self.from_g = sorted(mass for _, mass in self.readings)[-2]
