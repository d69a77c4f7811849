"""How a load cell's reading strays and comes back by itself."""

from __future__ import annotations

import math

import numpy as np

from sim.blend import Floats


class Returning:
    """A wander that comes back: sd_g about nothing, with a time constant of lasts_s.

    Made minute by minute and drawn straight between, so that it is the same at any spacing.
    """

    def __init__(self, sd_g: float, lasts_s: float, rng: np.random.Generator) -> None:
        self.sd_g = sd_g
        self.rng = rng
        self.keeps = math.exp(-60.0 / lasts_s)
        self.minutes: Floats = rng.normal(0, sd_g, 1)

    def walk(self, t_s: Floats) -> Floats:
        """The wander in g at times t_s (n,)."""
        more = int(t_s[-1] / 60) + 2 - len(self.minutes)
        if more > 0:
            self.minutes = np.concatenate((self.minutes, self._further(more)))
        at = t_s / 60
        return np.interp(at, np.arange(len(self.minutes)), self.minutes)

    def _further(self, count: int) -> Floats:
        steps = self.rng.normal(0, self.sd_g * math.sqrt(1 - self.keeps**2), count)
        out = np.empty(count)
        level = float(self.minutes[-1])
        for index, step in enumerate(steps.tolist()):
            level = self.keeps * level + step
            out[index] = level
        return out
