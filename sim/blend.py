"""The simulated fuel: a blend of real hydrocarbons that evaporates by Raoult's law.

Nothing here uses a Reid or AP-42 correlation; the expectation under test does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KELVIN = 273.15
GAS_J_PER_MOL_K = 8.314462618
REID_C = 37.78

NAMES = ("butane", "isopentane", "pentane", "hexane", "isooctane", "toluene", "decane")
# Molar mass g/mol and saturation pressure kPa at 20 and 25 °C (library `thermo` 0.6.1; butane from
# CoolProp 8.0.0); diffusivity in air at 25 °C, cm²/s: hexane, toluene measured (Lugg 1968, from
# memory), the others between Fuller's estimate and that pattern, ±8 %.
MOLAR_G: Floats = np.array([58.12, 72.15, 72.15, 86.18, 114.23, 92.14, 142.28])
_P20_KPA: Floats = np.array([207.65, 76.66, 56.57, 16.16, 5.156, 2.919, 0.128])
_P25_KPA: Floats = np.array([243.29, 91.79, 68.36, 20.16, 6.584, 3.799, 0.182])
_DIFFUSIVITY_CM2_PER_S: Floats = np.array([0.095, 0.083, 0.083, 0.0732, 0.062, 0.085, 0.056])
_SLOPE_K: Floats = np.log(_P25_KPA / _P20_KPA) / (1 / (20 + KELVIN) - 1 / (25 + KELVIN))


@dataclass(frozen=True, slots=True)
class Recipe:
    """Mass shares of a fuel before its light component is set to meet the vapour pressure."""

    shares: tuple[float, ...]
    light: int
    reid_share: float


# A petrol with a third of aromatics; alkylate with almost none; a narrow cut made lighter with
# isooctane. In a Reid chamber part of the light ends leaves for the vapour, so the pressure of the
# fresh liquid is about 5 % higher.
_PETROL = Recipe((0.0, 0.12, 0.06, 0.16, 0.30, 0.26, 0.10), 0, 1.05)
_ALKYLATE = Recipe((0.0, 0.20, 0.02, 0.03, 0.70, 0.0, 0.05), 0, 1.05)
_CUT = Recipe((0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0), 4, 1.0)


def saturation_kpa(temp_c: float | Floats) -> Floats:
    """Saturation pressure of each component in kPa, (…, 7), by Clausius-Clapeyron from 20 °C."""
    inverse = 1 / (20 + KELVIN) - 1 / (temp_c + KELVIN)
    return np.asarray(_P20_KPA * np.exp(_SLOPE_K * inverse))


def diffusivity_m2_per_s(temp_c: float) -> Floats:
    """Diffusivity of each component in air, m²/s, (7,): T^1.81 from the value at 25 °C."""
    return np.asarray(1e-4 * _DIFFUSIVITY_CM2_PER_S * ((temp_c + KELVIN) / 298.15) ** 1.81)


def vapour_kpa(mass_g: Floats, temp_c: float | Floats) -> Floats:
    """Partial pressures in kPa over fuel of composition mass_g (…, 7): Raoult's law."""
    moles = mass_g / MOLAR_G
    total = np.maximum(moles.sum(axis=-1, keepdims=True), 1e-12)
    return np.asarray(moles / total * saturation_kpa(temp_c))


def blend(name: str, rvp_kpa: float) -> Floats:
    """Mass shares (7,) of a fuel whose vapour pressure at 37.8 °C fits its Reid pressure.

    Below what its recipe has without any light component, it has stood open and lost pentanes too
    (bought petrol of 38 kPa came down to 9.6 in 300 days; Zhu 2012).
    """
    recipe = {"alkylate": _ALKYLATE, "test_fluid": _CUT}.get(name, _PETROL)
    wanted_kpa = recipe.reid_share * rvp_kpa
    stale = vapour_kpa(_with_light(recipe, 0.0), REID_C).sum() > wanted_kpa
    make, low, high = (_stood_open, -1.0, 0.0) if stale else (_with_light, 0.0, 0.6)
    for _ in range(50):
        middle = (low + high) / 2
        if vapour_kpa(make(recipe, middle), REID_C).sum() < wanted_kpa:
            low = middle
        else:
            high = middle
    return make(recipe, low)


def _stood_open(recipe: Recipe, lost: float) -> Floats:
    """The recipe when a share `-lost` of its pentanes and lighter has gone."""
    shares = np.array(recipe.shares)
    shares[:3] *= 1 + lost
    return np.asarray(shares / shares.sum())


def _with_light(recipe: Recipe, share: float) -> Floats:
    shares = np.array(recipe.shares) * (1 - share)
    shares[recipe.light] += share
    return shares


def density_g_per_ml(density_15c_kg_per_m3: float, temp_c: float) -> float:
    """Density of the bulk: a straight line of 0.12 % per °C, plain enough for a level."""
    return density_15c_kg_per_m3 * 1e-3 * (1 - 0.0012 * (temp_c - 15))


def thinning(temp_c: float) -> float:
    """How much easier the fuel creeps through a gap than at 20 °C: viscosity falls 1.1 % per °C."""
    return float(np.exp(0.011 * (temp_c - 20)))
