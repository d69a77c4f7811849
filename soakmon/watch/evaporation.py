"""The expected evaporation, step by step, while a soak runs."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.expectation import breathing_g, evaporation_rates
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.watch.rows import Floats
from soakmon.watch.settings import Settings
from soakmon.watch.state import kept

FUEL_LAG_S = 2400.0
_SUPPOSED_C = 20.0
_PLAY_C = 0.1
_TABLE_C = np.arange(-30.0, 60.01, 0.25)


def lagged(previous: float, value: float, seconds: float, lag_s: float) -> float:
    """First-order lag: what a body of time constant lag_s shows after `seconds` at value."""
    if not math.isfinite(previous):
        return value
    return value + (previous - value) * math.exp(-seconds / lag_s)


@kept
class Evaporation:
    """Cumulative best expectation (g) since `restart`, and the temperatures that drive it.

    bottle_hose_g, bowls_g: two parts with their own uncertainty; air_c, air_20_c, air_60_c,
    air_180_c: air now and lagged by so many minutes; fuel_c: measured, or the air lagged by 40.
    top_up_g: what the bowls have drawn beyond their evaporation since their needles keep the level
    while the fuel shrinks and swells; negative while warmth holds the level up. cooled_g: what
    cold alone would have drawn. bowl_g_per_h: what
    one bowl loses to the air now; bowl_needs_g: what one bowl has lost to the air and to shrinking.
    """

    def __init__(self, settings: Settings) -> None:
        rates = evaporation_rates(settings.geometry, settings.fuel, _TABLE_C)
        breath = breathing_g(settings.geometry, settings.fuel, _TABLE_C, _TABLE_C + _PLAY_C)
        feed_scale, bowls_scale = settings.priors.scales
        self.bowls = len(settings.geometry.bowls)
        rack_l = 1e-3 * sum(bowl.volume_ml for bowl in settings.geometry.bowls)
        # By temperature: loss of bottle, hose and bowls, g/h; breath, g/°C; fuel of a full rack, g.
        self.table: Floats = np.column_stack(
            (
                feed_scale * rates.bottle,
                feed_scale * rates.hose,
                bowls_scale * rates.bowls,
                breath / _PLAY_C,
                rack_l * density_kg_per_m3(settings.fuel, _TABLE_C),
            )
        )
        self.air_c = self.air_20_c = self.air_60_c = self.air_180_c = self.fuel_c = math.nan
        self.breathing_c = math.nan
        self.bowl_g_per_h = 0.0
        self.missing = True
        self.restart()

    def restart(self) -> None:
        """Start the sums at zero."""
        self.bottle_hose_g = self.bowls_g = 0.0
        self.full_g = math.nan
        self.drawn_g = self.top_up_g = self.cooled_g = self.bowl_needs_g = 0.0

    @property
    def total_g(self) -> float:
        """Best expectation of everything that evaporated."""
        return self.bottle_hose_g + self.bowls_g

    def step(self, seconds: float, air_c: float, fuel_c: float, feed_open: float) -> None:
        """Let `seconds` pass at these temperatures (NaN: missing); shut, only the bottle counts."""
        self.missing = not math.isfinite(air_c)
        if self.missing:
            air_c = self.air_c if math.isfinite(self.air_c) else _SUPPOSED_C
        self.air_c = air_c
        self.air_20_c = lagged(self.air_20_c, air_c, seconds, 1200.0)
        self.air_60_c = lagged(self.air_60_c, air_c, seconds, 3600.0)
        self.air_180_c = lagged(self.air_180_c, air_c, seconds, 10800.0)
        known = math.isfinite(fuel_c)
        self.fuel_c = fuel_c if known else lagged(self.fuel_c, air_c, seconds, FUEL_LAG_S)
        hours = seconds / 3600.0
        bottle_g_per_h, hose_g_per_h, bowls_g_per_h, breath_g_per_c, rack_g = self._looked_up()
        self.bottle_hose_g += hours * (bottle_g_per_h + feed_open * hose_g_per_h)
        self.bottle_hose_g += self._rise_c() * breath_g_per_c
        self.bowls_g += hours * feed_open * bowls_g_per_h
        self.bowl_g_per_h = bowls_g_per_h / max(self.bowls, 1)
        self._draw(feed_open, rack_g)

    def _draw(self, feed_open: float, rack_g: float) -> None:
        """A needle opens when the level has never been as low: a running maximum of the need."""
        if not math.isfinite(self.full_g):
            self.full_g = rack_g
        needs_g = rack_g - self.full_g + self.bowls_g
        self.bowl_needs_g = needs_g / max(self.bowls, 1)
        if feed_open > 0.5:
            self.drawn_g = max(self.drawn_g, needs_g)
            self.cooled_g = max(self.cooled_g, rack_g - self.full_g)
        self.top_up_g = self.drawn_g - self.bowls_g

    def _looked_up(self) -> list[float]:
        place = (self.fuel_c - _TABLE_C[0]) * 4.0
        low = min(max(int(place), 0), len(self.table) - 2)
        part = min(max(place - low, 0.0), 1.0)
        below, above = self.table[low], self.table[low + 1]
        now: list[float] = (below + part * (above - below)).tolist()
        return now

    def _rise_c(self) -> float:
        """Warming that breathes out; a play of 0.1 °C keeps thermometer noise from adding up."""
        if not math.isfinite(self.breathing_c):
            self.breathing_c = self.fuel_c
        rise = self.fuel_c - _PLAY_C / 2 - self.breathing_c
        if rise > 0:
            self.breathing_c += rise
            return rise
        self.breathing_c = min(self.breathing_c, self.fuel_c + _PLAY_C / 2)
        return 0.0
