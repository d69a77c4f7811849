"""Breathing: what a vapour space pushes out of its vent while it warms.

The vapour space expansion factor of AP-42 section 7.1 (equation 1-5 in the 2020 numbering) for an
open vent: gas expands with temperature, and the rising vapour pressure crowds the air out.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import ATMOSPHERE_KPA, KELVIN, Floats, FloatsIn, floats
from soakmon.physics.belief import effort
from soakmon.physics.fuels import Fuel
from soakmon.physics.vapour import saturated_vapour_g_per_l, true_vapour_pressure_kpa

# Temperatures are smoothed over so long.
_BIN_S = effort(600.0, "s")


def expansion_factor(
    fuel: Fuel,
    temp_from_c: FloatsIn,
    temp_to_c: FloatsIn,
    vent_setting_kpa: float = 0.0,
    pressure_kpa: float = ATMOSPHERE_KPA,
) -> Floats:
    """Return the share of the vapour space expelled on warming (K_E); 0 when it cools.

    vent_setting_kpa: pressure range a breather valve holds back; an open vent holds none.
    """
    cold, warm = floats(temp_from_c), floats(temp_to_c)
    mean_c = (cold + warm) / 2
    pressure_rise = true_vapour_pressure_kpa(fuel, warm) - true_vapour_pressure_kpa(fuel, cold)
    mean_air_kpa = pressure_kpa - true_vapour_pressure_kpa(fuel, mean_c)
    # At the boil the air is gone and the factor would turn negative; a tenth of an atmosphere of
    # air is where the linear form stops meaning anything.
    mean_air_kpa = np.maximum(mean_air_kpa, 0.1 * pressure_kpa)
    factor = (warm - cold) / (mean_c + KELVIN) + (pressure_rise - vent_setting_kpa) / mean_air_kpa
    return floats(np.where(warm > cold, np.maximum(factor, 0.0), 0.0))


def expelled_g(
    fuel: Fuel, vapour_space_ml: FloatsIn, temp_from_c: FloatsIn, temp_to_c: FloatsIn
) -> Floats:
    """Return grams of fuel vapour expelled from vapour_space_ml on warming between two °C."""
    mean_c = (floats(temp_from_c) + floats(temp_to_c)) / 2
    content_g = 1e-3 * floats(vapour_space_ml) * saturated_vapour_g_per_l(fuel, mean_c)
    return floats(content_g * expansion_factor(fuel, temp_from_c, temp_to_c))


def bin_means(t_s: Floats, temp_c: Floats) -> tuple[Floats, Floats]:
    """Return edges of bins of about ten minutes, and the mean of the record over each."""
    count = max(1, round((t_s[-1] - t_s[0]) / _BIN_S))
    edges = np.linspace(t_s[0], t_s[-1], count + 1)
    times = np.union1d(t_s, edges)
    values = np.interp(times, t_s, temp_c)
    area = np.concatenate(([0.0], np.cumsum(np.diff(times) * (values[1:] + values[:-1]) / 2)))
    means = np.diff(area[np.searchsorted(times, edges)]) / np.diff(edges)
    return edges, means
