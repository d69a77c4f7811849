"""The fuels' figures against standards and pure substances that `chemicals` carries."""

from __future__ import annotations

import math

import pytest
from chemicals import interface, search_chemical
from chemicals.vapor_pressure import Antoine, Psat_data_AntoinePoling

from soakmon.physics.fuels import FUELS
from soakmon.physics.liquid import density_kg_per_m3, surface_tension_n_per_m
from soakmon.physics.vapour import true_vapour_pressure_kpa

pytestmark = pytest.mark.filterwarnings("ignore:The 'float_precision' argument")

HEPTANE, OCTANE, ISOOCTANE, TOLUENE = "142-82-5", "111-65-9", "540-84-1", "108-88-3"
NONANE, DECANE = "111-84-2", "124-18-5"
CUT = FUELS["test_fluid"]


def psat_kpa(cas: str, temp_c: float) -> float:
    """Antoine constants of Poling, Prausnitz, O'Connell."""
    one = Psat_data_AntoinePoling.loc[cas]
    return float(Antoine(temp_c + 273.15, one.A, one.B, one.C)) / 1e3


def tension_mn_per_m(cas: str, temp_c: float) -> float:
    """Jasper (1972), in Lange's handbook."""
    one = interface.sigma_data_Jasper_Lange.loc[cas]
    return float(one.a - one.b * temp_c)


def middle(low: float, high: float) -> float:
    return math.sqrt(low * high)


# EN 228 in kPa. A and D: arrêté of 26 January 2009, annex II; the others from memory.
@pytest.mark.parametrize(
    ("volatility", "low", "high"),
    [("a", 45, 60), ("d", 60, 90), ("b", 45, 70), ("c", 50, 80), ("e", 65, 95), ("f", 70, 100)],
)
def test_reid_pressures_lie_in_the_upper_half_of_their_class(volatility, low, high):
    """Refiners blend towards the upper limit, butane being cheap (common practice)."""
    assert (low + high) / 2 <= FUELS[f"petrol_{volatility}"].rvp_kpa <= high


def test_summer_petrol_keeps_the_limit_of_directive_2009_30_ec():
    """Annex: at most 60.0 kPa in summer."""
    assert FUELS["petrol_a"].rvp_kpa <= 60.0


def test_density_lies_within_en_228():
    """720 to 775 kg/m³ at 15 °C (from memory)."""
    assert 720 <= FUELS["petrol_a"].density_15c_kg_per_m3 <= 775


def test_distillation_slope_is_that_of_petrol():
    """AP-42 § 7.1: 3.0 °F per vol % for petrol (from memory)."""
    assert FUELS["petrol_a"].distillation_slope_f_per_pct == 3.0


def test_surface_tension_of_petrol():
    """Munson, Young, Okiishi, Table 1.6: 0.022 N/m at 15.6 °C."""
    assert float(surface_tension_n_per_m(FUELS["petrol_a"], 15.6)) == pytest.approx(0.022, rel=0.05)


def test_figures_of_a_fuel_are_those_of_20_c():
    """Identity: what a fuel states of 20 °C comes out at 20 °C."""
    for fuel in FUELS.values():
        ours = float(surface_tension_n_per_m(fuel, 20.0))
        assert ours == pytest.approx(fuel.surface_tension_20c_n_per_m, rel=1e-12)


def test_surface_tension_falls_as_that_of_hydrocarbons():
    """The mean of heptane, octane, isooctane and toluene (Jasper): 0.100 mN/m per °C."""
    mean = sum(
        (tension_mn_per_m(cas, 15.0) - tension_mn_per_m(cas, 25.0)) / 10
        for cas in (HEPTANE, OCTANE, ISOOCTANE, TOLUENE)
    ) / 4  # fmt: skip
    petrol = FUELS["petrol_a"]
    ours = float(surface_tension_n_per_m(petrol, 15.0) - surface_tension_n_per_m(petrol, 25.0))
    assert 1e3 * ours / 10 == pytest.approx(mean, rel=0.05)


def test_alkylate_is_much_like_isooctane():
    """Density 692.2 kg/m³ at 20 °C (library thermo 0.6.1), 18.8 mN/m (Jasper)."""
    alkylate = FUELS["alkylate"]
    assert float(density_kg_per_m3(alkylate, 20.0)) == pytest.approx(692.2, rel=0.02)
    ours = 1e3 * float(surface_tension_n_per_m(alkylate, 20.0))
    assert ours == pytest.approx(tension_mn_per_m(ISOOCTANE, 20.0), rel=0.06)


def test_reid_pressure_of_alkylate():
    """55 to 65 kPa (from memory)."""
    assert 55 <= FUELS["alkylate"].rvp_kpa <= 65


def test_calibration_fluid_lies_between_nonane_and_decane():
    """A cut of C9 to C11: its middle. Density: decane 730.4 (thermo), white spirit 760 to 790
    (memory).
    """
    pressure = middle(psat_kpa(NONANE, 20.0), psat_kpa(DECANE, 20.0))
    assert float(true_vapour_pressure_kpa(CUT, 20.0)) == pytest.approx(pressure, rel=0.2)
    slopes = [
        math.log(psat_kpa(cas, 30.0) / psat_kpa(cas, 10.0)) / (1 / 283.15 - 1 / 303.15)
        for cas in (NONANE, DECANE)
    ]
    assert pytest.approx(sum(slopes) / 2, rel=0.13) == CUT.boiling_slope_k
    masses = [search_chemical(cas).MW for cas in (NONANE, DECANE)]
    assert pytest.approx(sum(masses) / 2, rel=0.05) == CUT.vapour_molar_mass_g
    tension = tension_mn_per_m(DECANE, 20.0)
    assert 1e3 * CUT.surface_tension_20c_n_per_m == pytest.approx(tension, rel=0.07)
    assert float(density_kg_per_m3(CUT, 20.0)) == pytest.approx(middle(730.4, 790.0), rel=0.03)
