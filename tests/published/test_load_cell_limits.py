"""OIML R 60 (2021) class C limits, and the GUM's rules, against published values."""

from __future__ import annotations

import math

import pytest

from soakmon.weigh.oiml import CellClass
from soakmon.weigh.uncertainty import Measured, mean_of, ratio, rss, scatter, uniform


@pytest.mark.parametrize(
    ("capacity_g", "v_g", "creep_g", "late_g", "return_g"),
    [
        (1000.0, 0.3333, 0.2450, 0.0525, 0.1667),
        (2000.0, 0.6667, 0.4900, 0.1050, 0.3333),
        (5000.0, 1.6667, 1.2250, 0.2625, 0.8333),
    ],
)
def test_class_c3_cells(capacity_g, v_g, creep_g, late_g, return_g):
    """R 60-1, 5.1 and 5.3 to 5.5 for 3000 intervals."""
    cell = CellClass(capacity_g, 3000)
    assert cell.v_g == pytest.approx(v_g, abs=5e-5)
    assert cell.creep_g() == pytest.approx(creep_g, abs=5e-5)
    assert cell.late_creep_g() == pytest.approx(late_g, abs=5e-5)
    assert cell.dead_load_return_g == pytest.approx(return_g, abs=5e-5)


@pytest.mark.parametrize(
    ("steps_v", "factor"),
    [(0, 0.5), (500, 0.5), (500.01, 1.0), (2000, 1.0), (2000.01, 1.5), (3000, 1.5)],
)
def test_error_limits_step_at_500_and_2000_intervals(steps_v, factor):
    cell = CellClass(1000.0, 3000)
    assert cell.limit_g(steps_v * cell.v_g) == pytest.approx(0.7 * factor * cell.v_g)


@pytest.mark.parametrize("intervals", [0, 499, 10_001])
def test_class_c_has_500_to_10000_intervals(intervals):
    with pytest.raises(ValueError, match="intervals"):
        CellClass(1000.0, intervals)
    assert [CellClass(1000.0, most).v_g for most in (500, 10_000)] == [2.0, 0.1]


def test_a_cell_without_more_words_is_a_c3():
    """C3: 3000 intervals (OIML R 60)."""
    assert CellClass(3000.0).v_g == 1.0


def test_zero_of_a_c3_cell_of_a_kilogram():
    """R 60-1: p_LC · v_min per 5 °C and v_min per kPa; v_min of a ten thousandth is common."""
    cell = CellClass(1000.0)
    assert cell.zero_per_5c_g(0.1) == pytest.approx(0.07)
    assert cell.zero_per_kpa_g(0.1) == pytest.approx(0.1)
    assert (cell.zero_per_5c_g(), cell.zero_per_kpa_g()) == pytest.approx((0.7 / 3, 1 / 3))


def test_pooled_scatter_by_hand():
    """GUM 4.2.4: 0.03 g of 8 degrees with ±0.01 g of one: (8 · 0.0009 + 0.0002) / 9 = 8.2222e-4."""
    sd, df = scatter([0.01, -0.01], 1, 0.03)
    assert sd**2 == pytest.approx(8.2222e-4, rel=1e-5)
    assert df == 9


def test_uniform_is_half_width_over_root_three():
    """GUM 4.3.7: a/√3."""
    assert uniform(0.5) == pytest.approx(0.288675, abs=1e-6)


def test_type_a_of_the_gum_example():
    """GUM 4.4.3, table 1: 20 temperatures, mean 100.145 °C, s = 1.489, u = 0.333 °C (rounded)."""
    observed = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    # Told beforehand what they turn out to scatter by: the pooled scatter is theirs.
    mean = mean_of(observed, repeat=1.489)
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert mean.u == pytest.approx(0.333, abs=5e-4)
    assert mean.u * math.sqrt(20) == pytest.approx(1.489, abs=5e-4)


def test_relative_uncertainties_of_a_quotient_add_in_squares():
    """GUM 5.1.6: (u/y)² = Σ(u_i/x_i)²."""
    quotient = ratio(Measured(10.0, 0.3), Measured(4.0, 0.16))
    assert quotient.value == 2.5
    assert quotient.u / 2.5 == pytest.approx(rss(0.03, 0.04)) == pytest.approx(0.05)
