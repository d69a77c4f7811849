"""The liquid fuel: density, expansion and surface tension against temperature."""

from __future__ import annotations

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.belief import published
from soakmon.physics.fuels import Fuel

# ASTM D1250 / API MPMS 11.1 Table 54B, gasolines: density at 15 °C in kg/m³, temperature in °C.
_K0, _K1 = 346.4228, 0.4388
# Light hydrocarbons fall by 0.1 mN/m per °C (Jasper 1972).
_SURFACE_SLOPE_N_PER_M_K = published(-1.0e-4, "N/(m·K)")


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
