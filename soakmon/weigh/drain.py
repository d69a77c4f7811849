"""Bowl drain: how much fuel each bowl holds, bowl against bowl, and what that says of its float.

The bowl is drained through its plug into a cup: full cup minus empty cup. Volume differences over
the bowl's free area are differences of level, which is what a float height sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from soakmon.physics.fuels import Fuel
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.weigh.uncertainty import Measured, difference, rss, scaled, uniform

# Fuel left wet in bowl and cup after draining; workshop judgement, no source.
_LEFT_BEHIND_G = 0.1
_DENSITY_REL_SD = 0.01
_AREA_REL_SD = 0.05


@dataclass(frozen=True, slots=True)
class BowlDrain:
    """One bowl: volume_ml; level_mm against the mean of all bowls (positive: stands higher)."""

    carb: int
    volume_ml: Measured
    level_mm: Measured

    @property
    def differs(self) -> bool:
        """Whether its level differs by more than its expanded uncertainty (k = 2)."""
        return abs(self.level_mm.value) > self.level_mm.expanded


def drained(
    cups_g: Sequence[tuple[float, float]],
    fuel: Fuel,
    fuel_c: float,
    bowl_area_mm2: float,
    *,
    resolution_g: float = 0.01,
) -> tuple[BowlDrain, ...]:
    """Judge drained bowls. cups_g: (empty, full) mass of the cup per carb, in order, g.

    fuel_c: temperature of the fuel. What all bowls share (density, area) does not make them
    differ, and enters each volume but only scales a level. Raises ValueError for a cup that lost.
    """
    for carb, (empty_g, full_g) in enumerate(cups_g, start=1):
        if full_g < empty_g:
            raise ValueError(f"carb {carb}: the full cup weighs less than the empty one")
    if not cups_g or bowl_area_mm2 <= 0:
        raise ValueError("nothing was drained, or the bowl's area is not known")
    g_per_ml = float(density_kg_per_m3(fuel, fuel_c)) * 1e-3
    read = uniform(resolution_g / 2)
    own_u = rss(read, read, uniform(_LEFT_BEHIND_G)) / g_per_ml
    volumes = [(full - empty) / g_per_ml for empty, full in cups_g]
    mean_ml = fmean(volumes)
    count = len(volumes)
    mean_of_others = Measured(mean_ml, own_u / count**0.5)
    found = []
    for carb, volume_ml in enumerate(volumes, start=1):
        off = difference(Measured(volume_ml, own_u), mean_of_others)
        # The mean holds this bowl too: the difference is a little surer than if it did not.
        off = Measured(off.value, own_u * ((count - 1) / count) ** 0.5 if count > 1 else own_u)
        level = scaled(1e3 / bowl_area_mm2, off)
        shared = rss(_AREA_REL_SD, _DENSITY_REL_SD) * level.value
        level = Measured(level.value, rss(level.u, shared))
        volume = Measured(volume_ml, rss(own_u, _DENSITY_REL_SD * volume_ml))
        found.append(BowlDrain(carb, volume, level))
    return tuple(found)
