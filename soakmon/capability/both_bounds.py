"""Both bounds of a leak by mass, from the same tight nights: of the world, of the filter's model.

Nights of benches as they are described, all of one kind: what no decider can beat there says how
much of the spread on blind benches is owed to what nobody told of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from soakmon.capability.world_bound import WorldBound, world_bound
from soakmon.watch.rows import Floats


@dataclass(frozen=True, slots=True)
class TightNight:
    """residual_g: (p,) what was lost over the expectation, at `marks_h`; model_g_per_day: the
    bound of the filter's model on that night.
    """

    residual_g: Floats
    model_g_per_day: float


@dataclass(frozen=True, slots=True)
class Bounds:
    """Of `nights` nights: world and model_g_per_day (root mean square)."""

    nights: int
    world: WorldBound
    model_g_per_day: float

    @property
    def world_g_per_day(self) -> float:
        """Least spread in the simulated world."""
        return 24 * self.world.sd

    @property
    def world_error_g_per_day(self) -> float:
        """How well that is known from so many nights, one standard deviation."""
        return 24 * self.world.sd_error

    @property
    def smallest_g_per_day(self) -> float:
        """Smallest leak that could be found there on 95 % of nights at 1 % of false alarms."""
        return 24 * self.world.smallest()


# Pieces of the night, h: from when nothing of the fill is in them, every two hours. Finer ones
# ask for more nights and tell no more.
EDGES_H: Floats = np.arange(1.0, 24.0, 2.0)


def residual_g(t_s: Floats, over_g: Floats, edges_h: Floats = EDGES_H) -> Floats:
    """Medians of mass and expected loss, over_g (n,), in each piece since the first, g (p,)."""
    places = np.searchsorted(t_s / 3600, edges_h)
    medians = np.array([np.nanmedian(over_g[a:b]) for a, b in pairwise(places.tolist())])
    return np.asarray(medians[1:] - medians[0])


def bounds_of(nights: Sequence[TightNight], edges_h: Floats = EDGES_H) -> Bounds | None:
    """Both bounds; None from too few nights."""
    # A leak of one gram in an hour takes as much off the mass.
    signature = -(edges_h[1:-1] - edges_h[0])
    if len(nights) < 2 * len(signature):
        return None
    world = world_bound(np.array([night.residual_g for night in nights]), signature)
    squares = [night.model_g_per_day**2 for night in nights]
    return Bounds(len(nights), world, math.sqrt(math.fsum(squares) / len(squares)))
