"""The lips drops hang from: what dries there never falls."""

from __future__ import annotations

import numpy as np

from sim.blend import Floats

# What a lip of 3 mm lets go.
DROP_G = 0.0146


class Lips:
    """What hangs at each lip, g (N,), when drops dry there at dries_g_per_h; 0: they do not."""

    def __init__(self, count: int, dries_g_per_h: float) -> None:
        self.g_per_s = dries_g_per_h / 3600
        self.hanging_g: Floats = np.zeros(count)
        self.fallen_g: Floats = np.zeros(count)

    def take(self, at_lip_g: Floats, lip: int, grams: float) -> None:
        """Fuel comes to a lip (from 0)."""
        if self.g_per_s:
            self.hanging_g[lip] += grams
        else:
            at_lip_g[lip] += grams

    def pass_on(self, at_lip_g: Floats, dt_s: float) -> float:
        """Let drops dry and fall; grams dried. at_lip_g: what drops are made of, never less.

        A smaller drop has less surface; it is pinned at its rim, so it loses by its radius.
        """
        if not self.g_per_s or not self.hanging_g.any():
            return 0.0
        share = np.minimum(np.cbrt(self.hanging_g / DROP_G), 1.0)
        dried_g = np.minimum(self.g_per_s * dt_s * share, self.hanging_g)
        self.hanging_g -= dried_g
        falls_g = DROP_G * np.floor(self.hanging_g / DROP_G)
        self.hanging_g -= falls_g
        self.fallen_g += falls_g
        np.maximum(at_lip_g, self.fallen_g + self.hanging_g, out=at_lip_g)
        return float(dried_g.sum())
