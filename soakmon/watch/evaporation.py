"""The expected evaporation, step by step, while a soak runs."""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement
from soakmon.physics.evaporating import FUEL_LAG_S, Evaporating, lagged
from soakmon.watch.settings import REFERENCE_C, Settings

# What the cell's zero follows: the air of so long ago (judgement; lags up to 3 h were seen).
_LAGS_S = judgement((1200.0, 3600.0, 10800.0), "s")


class Evaporation:
    """Cumulative best expectation (g) since `restart`, and the temperatures that drive it.

    air_c, air_20_c, air_60_c,
    air_180_c: air now and lagged by so many minutes; fuel_c: measured, or the air lagged by 40.
    top_up_g: what the bowls have drawn beyond their evaporation since their needles keep the level
    while the fuel shrinks and swells; negative while warmth holds the level up. cooled_g: what
    cold alone would have drawn. rack_scale: fuel in the rack, over its description.
    bowl_g_per_h: what one bowl loses to the air now; bowl_needs_g: what one bowl has lost to the
    air and to shrinking.
    """

    def __init__(self, settings: Settings) -> None:
        self.model = Evaporating(settings.geometry, settings.fuel)
        self.scales = settings.priors.scales
        self.bowls = len(settings.geometry.bowls)
        self.air_c = self.air_20_c = self.air_60_c = self.air_180_c = self.fuel_c = math.nan
        self.bowl_g_per_h = 0.0
        self.missing = True
        self.rack_scale = 1.0
        self.restart()

    def restart(self) -> None:
        """Start the sums at zero."""
        self.model.restart()
        self.full_g = math.nan
        self.drawn_g = self.top_up_g = self.cooled_g = self.bowl_needs_g = 0.0

    @property
    def bottle_hose_g(self) -> float:
        """Best expectation of what bottle and hose lost, with what the bottle breathed out."""
        return self.scales[0] * (self.model.bottle_g + self.model.hose_g + self.model.breathing_g)

    @property
    def bowls_g(self) -> float:
        """Best expectation of what the bowls lost."""
        return self.scales[1] * self.model.bowls_g

    @property
    def total_g(self) -> float:
        """Best expectation of everything that evaporated."""
        return self.bottle_hose_g + self.bowls_g

    def step(self, seconds: float, air_c: float, fuel_c: float, feed_open: float) -> None:
        """Let `seconds` pass at these temperatures (NaN: missing); shut, only the bottle counts."""
        self.missing = not math.isfinite(air_c)
        if self.missing:
            air_c = self.air_c if math.isfinite(self.air_c) else REFERENCE_C
        self.air_c = air_c
        self.air_20_c = lagged(self.air_20_c, air_c, seconds, _LAGS_S[0])
        self.air_60_c = lagged(self.air_60_c, air_c, seconds, _LAGS_S[1])
        self.air_180_c = lagged(self.air_180_c, air_c, seconds, _LAGS_S[2])
        known = math.isfinite(fuel_c)
        self.fuel_c = fuel_c if known else lagged(self.fuel_c, air_c, seconds, FUEL_LAG_S)
        self.model.step(seconds / 3600.0, self.fuel_c, feed_open)
        self.bowl_g_per_h = self.scales[1] * self.model.bowls_g_per_h / max(self.bowls, 1)
        self._draw(feed_open, self.model.rack_g)

    def _draw(self, feed_open: float, rack_g: float) -> None:
        """A needle opens when the level has never been as low: a running maximum of the need."""
        if not math.isfinite(self.full_g):
            self.full_g = rack_g
        shrunk_g = self.rack_scale * (rack_g - self.full_g)
        needs_g = shrunk_g + self.bowls_g
        self.bowl_needs_g = needs_g / max(self.bowls, 1)
        if feed_open > 0.5:
            self.drawn_g = max(self.drawn_g, needs_g)
            self.cooled_g = max(self.cooled_g, shrunk_g)
        self.top_up_g = self.drawn_g - self.bowls_g
