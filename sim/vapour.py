"""How the simulated fuel gets into the air: vents, breathing, hose wall and wet patches."""

from __future__ import annotations

import math

import numpy as np

from sim.blend import (
    GAS_J_PER_MOL_K,
    KELVIN,
    MOLAR_G,
    Floats,
    diffusivity_m2_per_s,
    saturation_kpa,
    vapour_kpa,
)
from soakmon.physics.geometry import Bowl, Hose, Vent

AIR_KPA = 101.325
# End corrections in radii: flanged inside, unflanged outside (Levine and Schwinger 1948, memory).
_ENDS = 0.82 + 0.61
_HOSE_J_PER_MOL = 48_000.0  # activation energy of permeation through nitrile, from memory ±20 %
_HOSE_RATED_C = 22.8


def vent_conductance_m(vent: Vent) -> float:
    """Area over length of a vent with its end corrections, m."""
    radius_m = vent.bore_mm / 2e3
    return math.pi * radius_m**2 / (vent.length_mm * 1e-3 + _ENDS * radius_m)


def bowl_conductance_m(bowl: Bowl) -> float:
    """Vent and the still vapour above the fuel in series, m."""
    above = bowl.headroom_mm * 1e3 / bowl.area_mm2
    return 1 / (above + 1 / vent_conductance_m(bowl.vent))


def diffusion_g_per_s(mass_g: Floats, conductance_m: Floats, temp_c: float) -> Floats:
    """Loss of each component, g/s, (m, 7), of m bodies of fuel through their vents.

    Each component diffuses by itself; the stream they make together carries all of them along.
    """
    share = vapour_kpa(mass_g, temp_c) / AIR_KPA
    together = np.minimum(share.sum(axis=1, keepdims=True), 0.95)
    stream = -np.log1p(-together) / np.maximum(together, 1e-12)
    gas_mol_per_m3 = AIR_KPA * 1e3 / (GAS_J_PER_MOL_K * (temp_c + KELVIN))
    moles = gas_mol_per_m3 * diffusivity_m2_per_s(temp_c) * share * stream
    return np.asarray(conductance_m[:, None] * moles * MOLAR_G)


def runs_out_g_per_s(mass_g: Floats, m3_per_s: float, temp_c: float) -> Floats:
    """Vapour that runs out of m bowls of fuel like water, g/s by component, (m, 7).

    Between a vent and a lower opening, driven by its weight; saturated where there is fuel.
    """
    moles = 1e3 * vapour_kpa(mass_g, temp_c) / (GAS_J_PER_MOL_K * (temp_c + KELVIN))
    wet = mass_g.sum(axis=1, keepdims=True) > 0
    return np.asarray(wet * m3_per_s * moles * MOLAR_G)


class Ullages:
    """Vapour spaces open to the room: warming pushes air and vapour out, cooling draws air in."""

    def __init__(self, count: int) -> None:
        self.air_mol: Floats = np.full(count, np.nan)

    def breathe_g(self, space_ml: Floats, mass_g: Floats, temp_c: Floats) -> Floats:
        """Vapour pushed out since the last call, g by component, (m, 7), of m spaces over fuel."""
        partial = vapour_kpa(mass_g, temp_c[:, None])
        air_kpa = AIR_KPA - np.minimum(partial.sum(axis=1), 0.9 * AIR_KPA)
        litres = np.maximum(space_ml, 0.0) * 1e-3
        air_mol = air_kpa * litres / (GAS_J_PER_MOL_K * (temp_c + KELVIN))
        # The first time nothing is pushed out, nor where there is no fuel.
        pushed = np.fmax(self.air_mol - air_mol, 0.0)
        self.air_mol = np.where(mass_g.any(axis=1), air_mol, self.air_mol)
        return np.asarray(pushed[:, None] * partial / air_kpa[:, None] * MOLAR_G)


def permeation_g_per_s(hose: Hose, temp_c: float) -> float:
    """Loss through the hose wall, g/s: rated at 22.8 °C, Arrhenius from there."""
    inverse = 1 / (_HOSE_RATED_C + KELVIN) - 1 / (temp_c + KELVIN)
    rated = hose.permeation_g_per_m2_day / 86400 * hose.inner_area_m2
    return rated * math.exp(_HOSE_J_PER_MOL / GAS_J_PER_MOL_K * inverse)


def patch_g_per_s(shares: Floats, area_mm2: float, temp_c: float, draught: float) -> float:
    """Evaporation of a wet patch, g/s: natural convection over a few millimetres of film.

    The middle of the blend governs, since what arrives has lost its light ends by the time it has
    spread; 2 mm/s mass transfer in still air, from memory, good to a factor of two.
    """
    pressure_pa = 1e3 * float((shares / MOLAR_G * saturation_kpa(temp_c))[1:].sum())
    pressure_pa /= float((shares / MOLAR_G).sum())
    moles = pressure_pa / (GAS_J_PER_MOL_K * (temp_c + KELVIN))
    return 2e-3 * draught * area_mm2 * 1e-6 * moles * 90.0
