"""A tight rack's evaporation, step by step: the one model of decider, blank run and tests.

Vents lose by diffusion what fuel of that temperature gives off, less as its light ends go
(weathering: ln(vapour pressure) falls in proportion to the evaporated mass fraction); the hose wall
lets through by permeation; and warming pushes vapour out.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.arrays import Floats
from soakmon.physics.belief import effort, judgement
from soakmon.physics.breathing import expelled_g
from soakmon.physics.diffusion import vent_loss_g_per_h_per_m, vent_shape_m
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import BenchGeometry, Bowl
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.physics.permeation import hose_loss_g_per_h

# Fuel in bottle and bowls follows the air with this time constant where no sensor is in it.
FUEL_LAG_S = judgement(2400.0, "s")
# Rises within this are left out: thermometer noise must not add up to breaths.
PLAY_C = judgement(0.1, "°C")
# Rates are looked up in a table from here on, with so many places to a degree.
_COLDEST_C = effort(-30.0, "°C")
_PER_C = effort(4, "1/°C")
_TABLE_C = np.arange(_COLDEST_C, 60.01, 1 / _PER_C)


def lagged(previous: float, value: float, seconds: float, lag_s: float) -> float:
    """First-order lag: what a body of time constant lag_s shows after `seconds` at value."""
    if not math.isfinite(previous):
        return value
    return value + (previous - value) * math.exp(-seconds / lag_s)


def fuel_of_air_c(t_s: Floats, air_c: Floats) -> Floats:
    """Return the fuel's temperature (n,) along a record of the air's, without gaps."""
    fuel_c, last, spacing = [], math.nan, np.diff(t_s, prepend=t_s[0])
    for seconds, now_c in zip(spacing.tolist(), air_c.tolist(), strict=True):
        last = lagged(last, now_c, seconds, FUEL_LAG_S)
        fuel_c.append(last)
    return np.array(fuel_c)


def bowl_shape_m(bowl: Bowl) -> float:
    """Vent shape in series with the still vapour between fuel level and vent."""
    still = bowl.headroom_mm / bowl.area_mm2 * 1e3
    return 1 / (1 / vent_shape_m(bowl.vent) + still)


def vapour_space_ml(geometry: BenchGeometry) -> float:
    """Return the vapour space in ml that breathes: bottle after filling the rack, and bowls."""
    bottle = geometry.bottle
    taken = geometry.hose.volume_ml + sum(bowl.volume_ml for bowl in geometry.bowls)
    ullage = min(bottle.capacity_ml, bottle.capacity_ml - bottle.fill_ml + taken)
    headroom = sum(bowl.area_mm2 * bowl.headroom_mm * 1e-3 for bowl in geometry.bowls)
    return max(0.0, ullage) + headroom


class Evaporating:
    """What has gone so far, in grams: bottle_g, hose_g, bowls_g, breathing_g.

    bowls_g_per_h: what the bowls lose now; rack_g: fuel of a full rack at its temperature. The fuel
    ages with every step; `restart` sets the sums to zero and leaves it as old as it is.
    """

    def __init__(self, geometry: BenchGeometry, fuel: Fuel) -> None:
        unit = vent_loss_g_per_h_per_m(fuel, _TABLE_C)
        space_ml = vapour_space_ml(geometry)
        rack_ml = sum(bowl.volume_ml for bowl in geometry.bowls)
        # By temperature: loss of fresh fuel from bottle, hose and bowls, g/h; breath, g/°C; fuel of
        # a full rack, g.
        self.table: Floats = np.column_stack(
            (
                vent_shape_m(geometry.bottle.vent) * unit,
                hose_loss_g_per_h(geometry.hose, _TABLE_C),
                sum(bowl_shape_m(bowl) for bowl in geometry.bowls) * unit,
                expelled_g(fuel, space_ml, _TABLE_C, _TABLE_C + PLAY_C) / PLAY_C,
                1e-3 * rack_ml * density_kg_per_m3(fuel, _TABLE_C),
            )
        )
        density = fuel.density_15c_kg_per_m3 * 1e-3
        self.ages_per_g = (
            fuel.weathering_rate / (density * geometry.bottle.fill_ml),
            fuel.weathering_rate / (density * rack_ml) if rack_ml > 0 else 0.0,
        )
        self.age = [0.0, 0.0]
        self.follows_c = math.nan
        self.bowls_g_per_h = self.rack_g = 0.0
        self.restart()

    def restart(self) -> None:
        """Start the sums at zero."""
        self.bottle_g = self.hose_g = self.bowls_g = self.breathing_g = 0.0

    def step(self, hours: float, fuel_c: float, feed_open: float) -> None:
        """Let `hours` pass at this fuel temperature; shut, only the bottle counts."""
        bottle, hose, bowls, breath_g_per_c, self.rack_g = self._looked_up(fuel_c)
        bottle_g = hours * bottle * math.exp(-self.age[0])
        self.bowls_g_per_h = bowls * math.exp(-self.age[1])
        bowls_g = hours * feed_open * self.bowls_g_per_h
        self.bottle_g += bottle_g
        self.hose_g += hours * feed_open * hose
        self.bowls_g += bowls_g
        self.breathing_g += self._rise_c(fuel_c) * breath_g_per_c
        self.age[0] += self.ages_per_g[0] * bottle_g
        self.age[1] += self.ages_per_g[1] * bowls_g

    def _looked_up(self, fuel_c: float) -> list[float]:
        place = (fuel_c - _COLDEST_C) * _PER_C
        low = min(max(int(place), 0), len(self.table) - 2)
        part = min(max(place - low, 0.0), 1.0)
        below, above = self.table[low], self.table[low + 1]
        now: list[float] = (below + part * (above - below)).tolist()
        return now

    def _rise_c(self, fuel_c: float) -> float:
        """Warming that breathes out, beyond the play."""
        if not math.isfinite(self.follows_c):
            self.follows_c = fuel_c
        rise = fuel_c - PLAY_C / 2 - self.follows_c
        if rise > 0:
            self.follows_c += rise
            return rise
        self.follows_c = min(self.follows_c, fuel_c + PLAY_C / 2)
        return 0.0
