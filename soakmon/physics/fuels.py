"""Fuels of the bench and their fixed properties.

A fuel of your own is simply `Fuel(name, rvp_kpa, density, surface tension)`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel: what decides its vapour pressure, density and drops.

    rvp_kpa: Reid vapour pressure at 37.8 °C; distillation_slope_f_per_pct: ASTM D86 slope at 10 %
    evaporated, °F per vol %; density_15c_kg_per_m3; surface_tension_20c_n_per_m.
    boiling_slope_k: ΔH_vap/R of a narrow cut; when given, vapour pressure follows
    Clausius-Clapeyron from rvp_kpa instead of the petrol correlation.
    vapour_molar_mass_g: molar mass of the vapour in g/mol (None: from the vapour pressure).
    weathering_rate: fall of ln(vapour pressure) per unit of evaporated mass fraction (4 for petrol:
    4 % per percent lost), from memory of weathering curves, good to ±50 %; over a day a rack loses
    about 1 % of its bowls, so that is about ±1 % of the evaporation.
    """

    name: str
    rvp_kpa: float
    density_15c_kg_per_m3: float
    surface_tension_20c_n_per_m: float
    distillation_slope_f_per_pct: float = 3.0
    boiling_slope_k: float | None = None
    vapour_molar_mass_g: float | None = None
    weathering_rate: float = 4.0


def _petrol(volatility: str, rvp_kpa: float, season: str) -> Fuel:
    """Pump petrol of one class; 745 kg/m³ is mid of the 720-775 kg/m³ the standard allows."""
    return Fuel(f"pump petrol, EN 228 class {volatility} ({season})", rvp_kpa, 745.0, 0.022)


# Vapour pressures sit between middle and upper limit of their class, where refiners blend. The
# limits (A 45-60, B 45-70, C 50-80, D 60-90, E 65-95, F 70-100 kPa) are from memory.
FUELS: dict[str, Fuel] = {
    "petrol_a": _petrol("A", 56.0, "summer"),
    "petrol_b": _petrol("B", 62.0, "cool summer"),
    "petrol_c": _petrol("C", 70.0, "between seasons"),
    "petrol_d": _petrol("D", 80.0, "winter"),
    "petrol_e": _petrol("E", 85.0, "winter"),
    "petrol_f": _petrol("F", 90.0, "hard winter"),
    # Small-engine alkylate: 55-65 kPa, 680-700 kg/m³, almost no aromatics (from memory, ±5 %).
    "alkylate": Fuel("alkylate petrol", 60.0, 690.0, 0.0195),
    # A white-spirit cut as used for flow benches, C9-C11: 0.2-0.4 kPa at 20 °C and 45 kJ/mol
    # (from memory; vapour pressure good to a factor of 1.5, the rest to 5 %).
    "test_fluid": Fuel(
        "low-volatility calibration fluid",
        0.75,
        770.0,
        0.025,
        boiling_slope_k=5400.0,
        vapour_molar_mass_g=138.0,
        weathering_rate=1.0,
    ),
}
