"""Permeation of fuel through the wall of a rubber hose.

Rates are per inner wall area at 22.8 °C (73 °F); the temperature law is that of EPA's NONROAD
model, which doubles every 10 °C.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.geometry import Hose


def permeation_factor(temp_c: FloatsIn) -> Floats:
    """Return permeation relative to 22.8 °C (NONROAD emission adjustment, hoses)."""
    temp_f = 1.8 * floats(temp_c) + 32.0
    return floats(6.013899e-2 * np.exp(3.850818e-2 * temp_f))


def ethanol_factor(volume_fraction: float, effect: float = 1.82) -> float:
    """Return how much faster a hose rated on pure petrol permeates with ethanol (NONROAD).

    effect: multiplier at 10 % ethanol, 1.82 for plain and 2.0 for low-permeation hose. Use it to
    turn a rating into `Hose.permeation_g_per_m2_day` of the fuel at hand.
    """
    if volume_fraction <= 0:
        return 1.0
    return float(1.0 + (effect - 1.0) * (10.0 * volume_fraction) ** 0.4)


def hose_loss_g_per_h(hose: Hose, temp_c: FloatsIn) -> Floats:
    """Return grams per hour through the hose wall at temp_c (°C)."""
    per_day = hose.inner_area_m2 * hose.permeation_g_per_m2_day
    return floats(per_day / 24.0 * permeation_factor(temp_c))
