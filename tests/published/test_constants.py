"""Constants of nature and of method, as their sources print them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants, stats

from soakmon.physics import arrays, described, diffusion, drops, liquid, vapour
from soakmon.watch import normal


def test_constants_of_nature():
    """CODATA and the SI, as scipy holds them."""
    assert pytest.approx(constants.R, rel=1e-9) == arrays.GAS_J_PER_MOL_K
    assert constants.zero_Celsius == arrays.KELVIN
    assert constants.atm / 1e3 == arrays.ATMOSPHERE_KPA
    assert constants.g == drops.GRAVITY_M_PER_S2
    assert pytest.approx(constants.psi / 1e3, rel=1e-6) == vapour.PSI_KPA


def test_the_reid_temperature_is_a_hundred_fahrenheit():
    """ASTM D323, D5191: 100 °F."""
    assert constants.convert_temperature(100, "F", "C") == pytest.approx(
        vapour.REID_TEMP_C, abs=0.003
    )


def test_molar_mass_of_air():
    """US Standard Atmosphere 1976: 28.9644 g/mol."""
    assert pytest.approx(28.9644, rel=1e-3) == diffusion.AIR_MOLAR_MASS_G


def test_atomic_volumes_of_fuller():
    """Fuller, Schettler, Giddings (1966), as in a companion of Geankoplis, Example 6.2-5."""
    ours = diffusion.CARBON_VOLUME, diffusion.HYDROGEN_VOLUME, diffusion.OXYGEN_VOLUME
    assert ours == (16.5, 1.98, 5.48)
    assert (diffusion.RING_VOLUME, diffusion.AIR_VOLUME) == (-20.2, 20.1)


def test_petrol_volume_constants_are_those_of_the_us_table():
    """API MPMS 11.1: 192.4571 and 0.2438 per °F, in seven public programs; times 1.8 per °C."""
    assert pytest.approx(1.8 * 192.4571, rel=1e-6) == liquid._K0
    assert pytest.approx(1.8 * 0.2438, rel=2e-4) == liquid._K1


def test_ninety_five_percent_of_a_normal_value():
    assert float(stats.norm.ppf(0.975)) == pytest.approx(normal.NORMAL_95, abs=1e-6)


def test_spread_of_vapour_pressure_within_a_class():
    """EN 228 class A is 45 to 60 kPa (arrêté of 26 January 2009, annex II): uniform, GUM 4.3.7."""
    assert pytest.approx(7.5 / 52.5 / 3**0.5, rel=0.1) == described.FRESH_FUEL_LOG_SD


def test_the_normal_distribution():
    """scipy.stats.norm."""
    z = np.array([-5.0, -1.96, -0.3, 0.0, 1.0, 3.0])
    assert normal.below(z) == pytest.approx(stats.norm.cdf(z), rel=1e-9)


def test_the_normal_distribution_as_it_is_looked_up():
    """scipy.stats.norm, between the places of the table and beyond them."""
    z = np.concatenate([np.linspace(-11.0, 11.0, 4001), normal._SDS[:-1] + 1 / 512])
    assert normal.nearly_below(z) == pytest.approx(stats.norm.cdf(z), abs=1e-6)
