"""Diffusion of fuel vapour through still air in a vent: what an open passage loses without wind."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.arrays import ATMOSPHERE_KPA, GAS_J_PER_MOL_K, KELVIN, Floats, FloatsIn, floats
from soakmon.physics.belief import judgement, published
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import Vent
from soakmon.physics.vapour import true_vapour_pressure_kpa, vapour_molar_mass_g

AIR_MOLAR_MASS_G = 28.96
AIR_VOLUME = 20.1
CARBON_VOLUME, HYDROGEN_VOLUME, OXYGEN_VOLUME, RING_VOLUME = 16.5, 1.98, 5.48, -20.2
# A flanged opening adds 0.82 of its radius to a passage (Rayleigh's bounds are 0.785 and 0.849; the
# value is from memory of the acoustic end correction, the same Laplace problem).
END_CORRECTION = published(0.82, "radii")
# Near boiling the logarithm runs away: vapour then leaves by pressure, not by diffusion.
_MAX_VAPOUR_FRACTION = judgement(0.95, "share")


def diffusion_volume(carbon: float, hydrogen: float, oxygen: float = 0, rings: int = 0) -> float:
    """Return the diffusion volume (cm³/mol) of a molecule, atomic volumes of Fuller et al. 1966."""
    atoms = carbon * CARBON_VOLUME + hydrogen * HYDROGEN_VOLUME + oxygen * OXYGEN_VOLUME
    return atoms + rings * RING_VOLUME


def fuller_m2_per_s(
    molar_mass_g: float, volume: float, temp_k: FloatsIn, pressure_kpa: float = ATMOSPHERE_KPA
) -> Floats:
    """Return diffusivity in air, m²/s, by Fuller, Schettler and Giddings (1966); good to ±10 %."""
    masses = np.sqrt(1 / molar_mass_g + 1 / AIR_MOLAR_MASS_G)
    sizes = (np.cbrt(volume) + np.cbrt(AIR_VOLUME)) ** 2
    atmospheres = pressure_kpa / ATMOSPHERE_KPA
    return floats(1e-7 * floats(temp_k) ** 1.75 * masses / (atmospheres * sizes))


def vapour_diffusivity_m2_per_s(
    fuel: Fuel, temp_c: FloatsIn, pressure_kpa: float = ATMOSPHERE_KPA
) -> Floats:
    """Return the diffusivity of the fuel's vapour in air, m²/s.

    The vapour is taken as one alkane of its mean molar mass: butane, pentane and hexane differ
    from each other by less than the formula's own ±10 %.
    """
    mass = vapour_molar_mass_g(fuel)
    carbons = (mass - 2.016) / 14.027
    volume = diffusion_volume(carbons, 2 * carbons + 2)
    return fuller_m2_per_s(mass, volume, floats(temp_c) + KELVIN, pressure_kpa)


def stefan_flux_mol_per_m2_s(
    diffusivity_m2_per_s: FloatsIn,
    length_m: FloatsIn,
    temp_k: FloatsIn,
    vapour_pa: FloatsIn,
    *,
    total_pa: float = 1e3 * ATMOSPHERE_KPA,
    far_vapour_pa: FloatsIn = 0.0,
) -> Floats:
    """Return vapour flux up a still tube, mol/(m²·s), with the air held stagnant (Stefan 1873).

    The logarithm counts the stream the vapour itself makes; Fick's straight line is 20 % low for
    petrol at room temperature.
    """
    drive = np.log((total_pa - floats(far_vapour_pa)) / (total_pa - floats(vapour_pa)))
    density = total_pa / (GAS_J_PER_MOL_K * floats(temp_k))
    return floats(floats(diffusivity_m2_per_s) * density / floats(length_m) * drive)


def vent_shape_m(vent: Vent) -> float:
    """Return area over effective length of a vent in m; both mouths open into wide space."""
    length_m = 1e-3 * (vent.length_mm + 2 * END_CORRECTION * vent.bore_mm / 2)
    return vent.area_m2 / length_m


def vent_loss_g_per_h_per_m(
    fuel: Fuel, temp_c: FloatsIn, pressure_kpa: float = ATMOSPHERE_KPA
) -> Floats:
    """Return grams per hour lost through a vent of unit shape (area/length = 1 m)."""
    limit = _MAX_VAPOUR_FRACTION * pressure_kpa
    vapour_pa = 1e3 * np.minimum(true_vapour_pressure_kpa(fuel, temp_c), limit)
    diffusivity = vapour_diffusivity_m2_per_s(fuel, temp_c, pressure_kpa)
    temp_k = floats(temp_c) + KELVIN
    flux = stefan_flux_mol_per_m2_s(
        diffusivity, 1.0, temp_k, vapour_pa, total_pa=1e3 * pressure_kpa
    )
    return floats(3600 * vapour_molar_mass_g(fuel) * flux)


def vent_steepness(fuel: Fuel, temp_c: float, pressure_kpa: float = ATMOSPHERE_KPA) -> float:
    """Return by how many per cent a vent loses more when the vapour pressure is 1 % higher.

    The slope of Stefan's logarithm: of petrol 1.1 on a cold day, 2.2 of winter petrol in the heat.
    """
    kpa = float(true_vapour_pressure_kpa(fuel, temp_c))
    share = min(kpa / pressure_kpa, float(_MAX_VAPOUR_FRACTION))
    return -share / ((1 - share) * math.log1p(-share))
