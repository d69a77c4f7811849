"""The liquid fuel: density, expansion, surface tension and viscosity against temperature."""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import KELVIN, Floats, FloatsIn, floats
from soakmon.physics.belief import published
from soakmon.physics.fuels import Fuel

# ASTM D1250 / API MPMS 11.1 Table 54B, gasolines: density at 15 °C in kg/m³, temperature in °C.
_K0, _K1 = 346.4228, 0.4388
# Light hydrocarbons fall by 0.1 mN/m per °C (Jasper 1972); the slope of Andrade's law is the mean
# of heptane, octane and toluene between 15 and 25 °C (VDI heat atlas).
_SURFACE_SLOPE_N_PER_M_K = published(-1.0e-4, "N/(m·K)")
_VISCOSITY_SLOPE_K = published(1046.0, "K")


def expansion_15c_per_c(density_15c_kg_per_m3: float) -> float:
    """Return the thermal expansion coefficient at 15 °C, per °C (ASTM D1250 Table 54B)."""
    return _K0 / density_15c_kg_per_m3**2 + _K1 / density_15c_kg_per_m3


def volume_correction(density_15c_kg_per_m3: float, temp_c: FloatsIn) -> Floats:
    """Return density at temp_c over density at 15 °C (the volume correction factor, D1250)."""
    expansion = expansion_15c_per_c(density_15c_kg_per_m3) * (floats(temp_c) - 15.0)
    return floats(np.exp(-expansion * (1.0 + 0.8 * expansion)))


def density_kg_per_m3(fuel: Fuel, temp_c: FloatsIn) -> Floats:
    """Return the density of the fuel at temp_c (°C) in kg/m³."""
    factor = volume_correction(fuel.density_15c_kg_per_m3, temp_c)
    return floats(fuel.density_15c_kg_per_m3 * factor)


def surface_tension_n_per_m(fuel: Fuel, temp_c: FloatsIn) -> Floats:
    """Return surface tension in N/m: falls by 0.1 mN/m per °C, as light hydrocarbons do."""
    value = fuel.surface_tension_20c_n_per_m + _SURFACE_SLOPE_N_PER_M_K * (floats(temp_c) - 20.0)
    return floats(np.maximum(value, 1e-3))


def viscosity_mpa_s(fuel: Fuel, temp_c: FloatsIn) -> Floats:
    """Return dynamic viscosity in mPa·s (Andrade's form; ±20 %)."""
    inverse = 1 / (floats(temp_c) + KELVIN) - 1 / (20.0 + KELVIN)
    return floats(fuel.viscosity_20c_mpa_s * np.exp(_VISCOSITY_SLOPE_K * inverse))
