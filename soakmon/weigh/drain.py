"""Bowl drain: how much fuel each bowl holds, bowl against bowl, and what that says of its float.

The bowl is drained through its plug into a cup: full cup minus empty cup, and what stays wet.
Volume over the bowl's free area is a level, which is what a float height sets. Levels are held
against their median, which is what most bowls agree on: one odd bowl does not move it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from soakmon.physics.fuels import Fuel
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.texts import say
from soakmon.weigh.uncertainty import (
    REPEATABILITY_G,
    Measured,
    mean_of,
    rss,
    scaled,
    uniform,
    widened,
)

# Fuel left wet in bowl and cup after draining, from nothing up to this; workshop judgement, no
# source.
_LEFT_BEHIND_G = 0.1
_DENSITY_REL_SD = 0.01
_AREA_REL_SD = 0.05
# Floats set to within ±0.5 mm of their height stand up to 1 mm apart; judgement.
TOLERANCE_MM = 1.0
# Variance of the median of n equal normal values over that of one, n = 1 … 8 (from the order
# statistics' densities, by quadrature).
_MEDIAN_VARIANCE = (1.0, 0.5, 0.44867, 0.2982, 0.28683, 0.21474, 0.21045, 0.16818)


@dataclass(frozen=True, slots=True)
class BowlDrain:
    """One bowl: volume_ml; level_mm against the median of all bowls (positive: stands higher).

    allowed_mm: so much may two good floats differ.
    """

    carb: int
    volume_ml: Measured
    level_mm: Measured
    allowed_mm: float

    @property
    def differs(self) -> bool:
        """Whether its level is off by more than floats may be and its uncertainty explains."""
        return abs(self.level_mm.value) > self.allowed_mm + self.level_mm.expanded


def _areas(cups_g: Sequence[tuple[float, float]], areas_mm2: Sequence[float]) -> list[float]:
    """Free areas of the drained bowls, mm². ValueError for a cup that lost, or an unknown area."""
    for carb, (empty_g, full_g) in enumerate(cups_g, start=1):
        if full_g < empty_g:
            raise ValueError(say("drain.full_cup_weighs_less", carb=carb))
    areas = list(areas_mm2)[: len(cups_g)]
    if not cups_g or len(areas) < len(cups_g) or min(areas) <= 0:
        raise ValueError(say("drain.bowls_and_areas", bowls=len(cups_g), areas=len(areas)))
    return areas


def drained(
    cups_g: Sequence[tuple[float, float]],
    fuel: Fuel,
    fuel_c: float,
    areas_mm2: Sequence[float],
    *,
    resolution_g: float = 0.01,
    repeatability_g: float = REPEATABILITY_G,
    tolerance_mm: float = TOLERANCE_MM,
) -> tuple[BowlDrain, ...]:
    """Judge drained bowls. cups_g: (empty, full) mass of the cup per carb, in order, g.

    fuel_c: temperature of the fuel. areas_mm2: free area of each bowl. repeatability_g:
    standard deviation of one weighing, as known beforehand. What all bowls share
    (density, areas measured alike) does not make them differ, and enters each volume but only
    scales a level. Raises ValueError for a cup that lost, or bowls of which no area is known.
    """
    areas = _areas(cups_g, areas_mm2)
    g_per_ml = float(density_kg_per_m3(fuel, fuel_c)) * 1e-3
    masses = [_drained_g(*cup_g, resolution_g, repeatability_g) for cup_g in cups_g]
    volumes = [scaled(1.0 / g_per_ml, mass) for mass in masses]
    levels_mm = [1e3 * ml.value / mm2 for ml, mm2 in zip(volumes, areas, strict=True)]
    agreed_mm, count = median(levels_mm), len(levels_mm)
    # The median holds this bowl too: with what they have in common, 1/n on the average, gone.
    shrink = math.sqrt(1.0 + _MEDIAN_VARIANCE[count - 1] - 2.0 / count) if count > 1 else 0.0
    # Of two floats each stands half of their difference off the middle.
    allowed_mm = tolerance_mm / 2 if count == 2 else tolerance_mm
    bowls = []
    for carb, (own, level_mm) in enumerate(zip(volumes, levels_mm, strict=True), start=1):
        off_mm = level_mm - agreed_mm
        off = Measured(off_mm, 1e3 * own.u / areas[carb - 1] * shrink, own.df)
        level = widened(off, _AREA_REL_SD * off_mm, _DENSITY_REL_SD * off_mm)
        bowls.append(BowlDrain(carb, widened(own, _DENSITY_REL_SD * own.value), level, allowed_mm))
    return tuple(bowls)


def _drained_g(
    empty_g: float, full_g: float, resolution_g: float, repeatability_g: float
) -> Measured:
    """Fuel that a bowl held, g: what is in the cup, and what stayed wet."""
    read = uniform(resolution_g / 2)
    gone = mean_of([full_g - empty_g], rss(read, read), repeat=math.sqrt(2.0) * repeatability_g)
    all_of_it = Measured(gone.value + _LEFT_BEHIND_G / 2, gone.u, gone.df)
    return widened(all_of_it, uniform(_LEFT_BEHIND_G / 2))
