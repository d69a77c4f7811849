"""Vapour pressure and vapour density of a fuel.

Petrol follows the refined-stock correlation of EPA AP-42 section 7.1 (true vapour pressure from
Reid vapour pressure and distillation slope); a narrow cut follows Clausius-Clapeyron.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.arrays import GAS_J_PER_MOL_K, KELVIN, Floats, FloatsIn, floats
from soakmon.physics.fuels import Fuel

PSI_KPA = 6.894757
REID_TEMP_C = 37.78
# Reid vapour pressure (psi) and vapour molar mass (g/mol) of petrol, AP-42 Table 7.1-2.
_RVP_PSI = (7.0, 10.0, 13.0)
_MOLAR_MASS_G = (68.0, 66.0, 62.0)
# Outside the table the end slopes run on, but never past propane-rich or hexane-rich vapour.
_MOLAR_MASS_RANGE_G = (56.0, 73.0)


def ap42_constants(rvp_psi: float, slope_f_per_pct: float) -> tuple[float, float]:
    """Return A and B (°R) of P[psi] = exp(A - B/T[°R]) for refined petroleum stock, AP-42 § 7.1."""
    log_rvp = math.log(rvp_psi)
    root = math.sqrt(slope_f_per_pct)
    a = 15.64 - 1.854 * root - (0.8742 - 0.3280 * root) * log_rvp
    b = 8742.0 - 1042.0 * root - (1049.0 - 179.4 * root) * log_rvp
    return a, b


def true_vapour_pressure_kpa(fuel: Fuel, temp_c: FloatsIn) -> Floats:
    """Return the true vapour pressure in kPa at temp_c (°C).

    A fuel with a `boiling_slope_k` uses Clausius-Clapeyron through its Reid point: the AP-42 fit
    was made on petrols and naphthas and has no data under about 1 psi.
    """
    temp_k = floats(temp_c) + KELVIN
    if fuel.boiling_slope_k is not None:
        reid_k = REID_TEMP_C + KELVIN
        return floats(fuel.rvp_kpa * np.exp(-fuel.boiling_slope_k * (1 / temp_k - 1 / reid_k)))
    a, b = ap42_constants(fuel.rvp_kpa / PSI_KPA, fuel.distillation_slope_f_per_pct)
    return floats(PSI_KPA * np.exp(a - b / (1.8 * temp_k)))


def vapour_molar_mass_g(fuel: Fuel) -> float:
    """Return the molar mass of the fuel's vapour in g/mol (AP-42 Table 7.1-2, piecewise linear)."""
    if fuel.vapour_molar_mass_g is not None:
        return fuel.vapour_molar_mass_g
    rvp = fuel.rvp_kpa / PSI_KPA
    low = 0 if rvp < _RVP_PSI[1] else 1
    share = (rvp - _RVP_PSI[low]) / (_RVP_PSI[low + 1] - _RVP_PSI[low])
    mass = _MOLAR_MASS_G[low] + share * (_MOLAR_MASS_G[low + 1] - _MOLAR_MASS_G[low])
    return min(max(mass, _MOLAR_MASS_RANGE_G[0]), _MOLAR_MASS_RANGE_G[1])


def saturated_vapour_g_per_l(fuel: Fuel, temp_c: FloatsIn) -> Floats:
    """Return grams of fuel in a litre of saturated air at temp_c (°C), ideal gas."""
    pressure_kpa = true_vapour_pressure_kpa(fuel, temp_c)
    moles_per_l = pressure_kpa / (GAS_J_PER_MOL_K * (floats(temp_c) + KELVIN))
    return floats(moles_per_l * vapour_molar_mass_g(fuel))
