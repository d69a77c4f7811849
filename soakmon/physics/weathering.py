"""Weathering: light ends leave first, so a fuel that has lost mass loses it more slowly.

Model: ln(vapour pressure) falls in proportion to the evaporated mass fraction, by the fuel's
`weathering_rate` (4 for petrol: 4 % per percent lost). The figure is from memory of weathering
curves, good to ±50 %; over a day a rack loses about 1 % of its bowls, so that is about ±1 % of the
evaporation.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.fuels import Fuel


def pressure_share(fuel: Fuel, evaporated_fraction: FloatsIn) -> Floats:
    """Return vapour pressure relative to fresh fuel after losing a mass fraction (0 to 1)."""
    return floats(np.exp(-fuel.weathering_rate * floats(evaporated_fraction)))


def weathered_loss_g(fuel: Fuel, fresh_loss_g: FloatsIn, fuel_mass_g: float) -> Floats:
    """Return the loss of fuel_mass_g that would have lost fresh_loss_g had it stayed fresh.

    Solves dm/dt = rate·exp(-k·m/M) in closed form: m = (M/k)·ln(1 + k·fresh/M).
    """
    scale = fuel.weathering_rate / fuel_mass_g if fuel_mass_g > 0 else 0.0
    fresh = floats(fresh_loss_g)
    if scale <= 0:
        return fresh
    return floats(np.log1p(scale * fresh) / scale)
