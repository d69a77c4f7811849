"""Fuels of the bench and their fixed properties."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel: what decides its vapour pressure, density and drops.

    rvp_kpa: Reid vapour pressure at 37.8 °C; distillation_slope_f_per_pct: ASTM D86 slope at 10 %
    evaporated, °F per vol %; density_15c_kg_per_m3; surface_tension_20c_n_per_m.
    """

    name: str
    rvp_kpa: float
    density_15c_kg_per_m3: float
    surface_tension_20c_n_per_m: float
    distillation_slope_f_per_pct: float = 3.0


FUELS: dict[str, Fuel] = {
    "petrol_a": Fuel("pump petrol, EN 228 class A (summer)", 56.0, 745.0, 0.022),
}
