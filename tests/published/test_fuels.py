"""The fuels' figures against standards and pure substances that `chemicals` carries."""

from __future__ import annotations

import math

import pytest
from chemicals import interface, search_chemical, viscosity
from chemicals.vapor_pressure import Antoine, Psat_data_AntoinePoling

from soakmon.physics import described
from soakmon.physics.fuels import FUELS
from soakmon.physics.liquid import density_kg_per_m3, surface_tension_n_per_m, viscosity_mpa_s
from soakmon.physics.vapour import true_vapour_pressure_kpa

pytestmark = pytest.mark.filterwarnings("ignore:The 'float_precision' argument")

HEPTANE, OCTANE, ISOOCTANE, TOLUENE = "142-82-5", "111-65-9", "540-84-1", "108-88-3"
NONANE, DECANE = "111-84-2", "124-18-5"
CUT = FUELS["test_fluid"]


def psat_kpa(cas: str, temp_c: float) -> float:
    """Antoine constants of Poling, Prausnitz, O'Connell."""
    one = Psat_data_AntoinePoling.loc[cas]
    return float(Antoine(temp_c + 273.15, one.A, one.B, one.C)) / 1e3


def mpa_s(cas: str, temp_c: float) -> float:
    """VDI heat atlas, PPDS equation 9."""
    one = viscosity.mu_data_VDI_PPDS_7.loc[cas]
    return 1e3 * float(viscosity.PPDS9(temp_c + 273.15, one.A, one.B, one.C, one.D, one.E))


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


def test_viscosity_of_petrol():
    """0.31 mPa·s at 15.6 °C (Munson, Table 1.6); bought petrol 0.86 (Zhu 2012): between them."""
    ours = float(viscosity_mpa_s(FUELS["petrol_a"], 15.6))
    assert ours == pytest.approx(middle(0.31, 0.86), rel=0.12)


def test_figures_of_a_fuel_are_those_of_20_c():
    """Identity: what a fuel states of 20 °C comes out at 20 °C."""
    for fuel in FUELS.values():
        ours = float(surface_tension_n_per_m(fuel, 20.0)), float(viscosity_mpa_s(fuel, 20.0))
        stated = fuel.surface_tension_20c_n_per_m, fuel.viscosity_20c_mpa_s
        assert ours == pytest.approx(stated, rel=1e-12)


def test_fuel_thins_with_warmth_as_hydrocarbons_do():
    """The mean of heptane, octane and toluene between 15 and 25 °C: 1046 K in Andrade's form."""
    inverse = 1 / 288.15 - 1 / 298.15
    slopes = [math.log(mpa_s(cas, 15.0) / mpa_s(cas, 25.0)) for cas in (HEPTANE, OCTANE, TOLUENE)]
    petrol = FUELS["petrol_a"]
    ours = math.log(float(viscosity_mpa_s(petrol, 15.0) / viscosity_mpa_s(petrol, 25.0)))
    assert ours / inverse == pytest.approx(sum(slopes) / 3 / inverse, rel=0.03)


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
    thick = middle(mpa_s(NONANE, 20.0), mpa_s(DECANE, 20.0))
    assert pytest.approx(thick, rel=0.15) == CUT.viscosity_20c_mpa_s
    assert float(density_kg_per_m3(CUT, 20.0)) == pytest.approx(middle(730.4, 790.0), rel=0.03)


def test_ethanol_adds_a_pound_per_square_inch():
    """NREL memo (2012): 10 % of ethanol adds 1 psi to the Reid pressure."""
    assert pytest.approx(6.895, rel=0.05) == described.ETHANOL_ADDS_KPA


def test_old_fuel_lies_between_what_was_bought_and_the_summer_limit():
    """38 kPa as bought (Zhu 2012), 60 at most (Directive 2009/30/EC)."""
    assert pytest.approx(middle(38.0, 60.0), rel=0.1) == described.OLD_FUEL_KPA
