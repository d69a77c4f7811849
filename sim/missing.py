"""Drops that a gate does not see."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.blend import Floats
from sim.traits import Misses


class Missing:
    """Which drops of a gate go by unseen; the spells are drawn for a night of `hours`."""

    def __init__(self, misses: Misses, gates: int, hours: float, seed: int) -> None:
        self.misses = misses
        self.rng = np.random.default_rng([seed, 10])
        self.spells_s: list[Floats] = []
        for _ in range(gates):
            count = int(self.rng.poisson(misses.spells_per_h * hours))
            self.spells_s.append(np.sort(self.rng.uniform(0, 3600 * hours, count)))

    def missed(self, gate: int, at_s: Floats) -> NDArray[np.bool_]:
        """Of drops at times (k,) of a gate (from 0)."""
        share = np.full(len(at_s), self.misses.share)
        starts = self.spells_s[gate]
        if len(starts):
            last = np.searchsorted(starts, at_s, side="right") - 1
            within = (last >= 0) & (at_s - starts[last] < self.misses.spell_s)
            share[within] = np.maximum(share[within], self.misses.in_spells)
        return np.asarray(self.rng.random(len(at_s)) < share)
