"""Bench tests against published regressions, and against a library that propagates uncertainty.

The library (`uncertainties`) differentiates every quantity and keeps correlations, as GUM 5.2 asks;
the bench tests write the sums down. All weighings are invented and their results worked out beside.
"""

from __future__ import annotations

import math
from datetime import date

import pytest
from scipy import stats
from uncertainties import ufloat

from soakmon.physics.fuels import FUELS
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.weigh.calibration import Step, calibrate, daily_check
from soakmon.weigh.drain import drained
from soakmon.weigh.float_weigh import weighed
from soakmon.weigh.isolation import Watched, isolated
from soakmon.weigh.oiml import CellClass
from soakmon.weigh.shots import pumped
from soakmon.weigh.uncertainty import Measured, coverage, difference, ratio, total, widened

FUEL = FUELS["petrol_a"]
G_PER_ML = float(density_kg_per_m3(FUEL, 20.0)) * 1e-3
DAY = date(2026, 3, 1)
# Half of the balance's 0.01 g, uniform.
READ_G = 0.005 / math.sqrt(3)
# And how far one weighing is from the next, as stated; known from nine.
ONE_G = math.hypot(READ_G, 0.03)

NORRIS_X = (
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
)  # fmt: skip
NORRIS_Y = (
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
)  # fmt: skip


def test_the_calibration_line_is_the_certified_one():
    """NIST StRD, Norris: slope 1.00211681802045 ± 0.000429796848, intercept −0.262323073774."""
    steps = [Step(x, y) for x, y in zip(NORRIS_X, NORRIS_Y, strict=True)]
    result = calibrate(steps, CellClass(1000.0), DAY, full_g=300.0, resolution_counts=0.0)
    gain = 1 / ufloat(1.00211681802045, 0.429796848199937e-3)
    assert result.g_per_count.value == pytest.approx(gain.nominal_value, rel=1e-10)
    assert result.g_per_count.u == pytest.approx(gain.std_dev, rel=1e-9)
    assert result.zero_counts == pytest.approx(-0.262323073774029, rel=1e-8)
    residual_sd = math.sqrt(sum(r * r for r in result.residuals_g) / 34)
    assert residual_sd == pytest.approx(0.884796396144373 * gain.nominal_value, rel=1e-9)


def test_the_gum_example_of_a_calibration_curve():
    """GUM H.3 (numbers from memory): slope 0.00218, u 0.00067, from 11 corrections.

    Its corrections are added to the temperatures, so that the line has a slope near 1.
    """
    temps = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
    corrections = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
                   -0.160)  # fmt: skip
    steps = [Step(t, t + c) for t, c in zip(temps, corrections, strict=True)]
    result = calibrate(steps, CellClass(1000.0), DAY, full_g=20.0, resolution_counts=0.0)
    assert 1 / result.g_per_count.value - 1 == pytest.approx(0.00218, abs=5e-6)
    assert result.g_per_count.u == pytest.approx(0.00067, abs=5e-6)
    assert result.zero_counts + 20 * (1 / result.g_per_count.value - 1) == pytest.approx(
        -0.1712, abs=5e-5
    )


def test_the_parts_of_a_gain_by_hand():
    """0, 500, 1000 g read exactly at 2 counts a gram: only resolution and masses are left.

    Spread about the mean: √(2 · 500²) = 707.107 g. Resolution 1 count, uniform: 0.288675 counts =
    0.1443376 g, over the spread 2.041241e-4; masses 0.02 g in 1000 g: 2e-5; together 2.05102e-4.
    """
    steps = [Step(m, 2 * m, mass_u_g=0.02) for m in (0.0, 500.0, 1000.0)]
    gain = calibrate(steps, CellClass(1000.0), DAY, full_g=300.0).g_per_count
    assert gain.value == pytest.approx(0.5)
    assert gain.u / gain.value == pytest.approx(2.05102e-4, rel=1e-5)


def test_the_mean_of_four_steps_is_twice_as_sure_as_one():
    """Three masses, four times each, 0.1 g to either side of the line (GUM 4.2.3).

    Twelve deviations about three means: √(12 · 0.01 / 9) = 0.115470 g with nine degrees of freedom,
    as the cell is known to repeat by eight; of a mean of four half of it, times Student's t of
    seventeen for the worst of three.
    """
    steps = [
        Step(m, 1e6 * (m + off_g)) for m in (0.0, 500.0, 1000.0) for off_g in (0.1, -0.1, 0.1, -0.1)
    ]
    repeats_g = math.sqrt(0.12 / 9)
    made = calibrate(steps, CellClass(1000.0), DAY, full_g=300.0, repeatability_g=repeats_g)
    (linearity,) = (one for one in made.judgements if one.name == "linearity")
    t = float(stats.t.isf(0.0455 / 2 / 3, 9 + 8))
    assert linearity.expanded_g == pytest.approx(t * repeats_g / 2, rel=1e-4)


def test_drained_bowls():
    """30.0, 30.5, 29.8, 30.1 g: by hand 30.05 g in the median, the second +0.45 g.

    0 to 0.1 g stay wet: half of it is added, uniform about it.
    """
    full_g = (80.0, 80.5, 79.8, 80.1)
    bowls = drained([(50.0, m) for m in full_g], FUEL, 20.0, [1200.0] * 4)
    density = ufloat(G_PER_ML, 0.01 * G_PER_ML)
    for bowl, m in zip(bowls, full_g, strict=True):
        wet = ufloat(0.05, 0.05 / math.sqrt(3))
        volume = (ufloat(m, ONE_G) - ufloat(50.0, ONE_G) + wet) / density
        assert bowl.volume_ml.value == pytest.approx(volume.nominal_value, rel=1e-12)
        assert bowl.volume_ml.u == pytest.approx(volume.std_dev, rel=1e-9)
    off_mm = 0.45 / G_PER_ML / 1.2
    assert bowls[1].level_mm.value == pytest.approx(off_mm, rel=1e-9)
    # 1 + 0.2982 - 2/4: one bowl less the median of four, of which it is one.
    own_mm = math.hypot(ONE_G, ONE_G, 0.05 / math.sqrt(3)) / G_PER_ML / 1.2
    shared_mm = math.hypot(0.05, 0.01) * off_mm
    by_hand = math.hypot(own_mm * math.sqrt(0.7982), shared_mm)
    assert bowls[1].level_mm.u == pytest.approx(by_hand, rel=1e-4)


def test_pump_shots():
    """20 strokes of 4.80, 4.82, 4.75, 4.79 g; by hand the spread is 0.07/4.79 = 1.461 %."""
    grams = (4.80, 4.82, 4.75, 4.79)
    result = pumped([[(10.0, 10.0 + g)] for g in grams], 20, FUEL, 20.0)
    density, hanging = ufloat(G_PER_ML, 0.01 * G_PER_ML), 0.03 / math.sqrt(3)
    own = [
        (ufloat(10.0 + g, ONE_G) - ufloat(10.0, ONE_G) + ufloat(0, hanging)) / density / 20
        for g in grams
    ]
    for shot, reference in zip(result.shots, own, strict=True):
        assert shot.ml_per_stroke.value == pytest.approx(reference.nominal_value, rel=1e-12)
        assert shot.ml_per_stroke.u == pytest.approx(reference.std_dev, rel=1e-9)
    spread = (own[1] - own[2]) / (sum(own) / 4)
    assert result.spread.value == pytest.approx(spread.nominal_value, rel=1e-12)
    assert 100 * result.spread.value == pytest.approx(1.461, abs=5e-4)
    # The mean under the line is taken as exact: its share is of the second order.
    assert result.spread.u == pytest.approx(spread.std_dev, rel=0.01)
    # Two series that agree: 0.03 g · root of 2 of 8 degrees of freedom pooled with none of 1.
    twice = pumped([[(10.0, 14.8), (10.0, 14.8)]], 20, FUEL, 20.0).shots[0].ml_per_stroke
    parts_g2 = 8 / 9 * 2 * 0.03**2 / 2 + (2 * READ_G**2 + hanging**2) / 2
    own_ml = math.sqrt(parts_g2) / G_PER_ML / 20
    assert twice.u == pytest.approx(math.hypot(own_ml, 0.01 * twice.value), rel=1e-9)


def test_a_float():
    """12.00, 12.02 g dry, 12.40, 12.42, 12.38 g soaked: gains 0.39 g, of which
    0 to 0.03 g stay wet on it.

    Scatter of both pooled with 0.03 g of 8 degrees of freedom, of one scale: (8 · 0.0009 + 0.0002
    + 0.0008) / 11 = 7.4545e-4 g², over 2 and over 3.
    """
    result = weighed(1, [12.00, 12.02], [12.40, 12.42, 12.38])
    dry = ufloat(12.01, math.sqrt(7.4545454545e-4 / 2)) + ufloat(0, READ_G)
    soaked = ufloat(12.40, math.sqrt(7.4545454545e-4 / 3)) + ufloat(0, READ_G)
    gain = soaked - dry - ufloat(0.015, 0.015 / math.sqrt(3))
    assert result.gain_g.value == pytest.approx(0.375)
    assert result.gain_g.u == pytest.approx(gain.std_dev, rel=1e-9)


def test_the_rules_themselves():
    one, other = ufloat(3.2, 0.07), ufloat(-1.7, 0.05)
    mine = Measured(3.2, 0.07), Measured(-1.7, 0.05)
    for made, reference in (
        (difference(*mine), one - other), (total(mine), one + other), (ratio(*mine), one / other),
    ):  # fmt: skip
        assert made.value == pytest.approx(reference.nominal_value, rel=1e-12)
        assert made.u == pytest.approx(reference.std_dev, rel=1e-9)


@pytest.mark.parametrize(
    ("df", "k"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (5, 2.65), (8, 2.37), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_coverage_of_few_readings(df, k):
    """GUM (JCGM 100:2008) table G.2, column 95.45 % (from memory), and scipy."""
    assert coverage(df) == pytest.approx(k, abs=0.005)
    assert coverage(df + 0.9) == coverage(df)
    assert coverage(df) == pytest.approx(stats.t.ppf((1 + math.erf(2**0.5)) / 2, df), rel=1e-9)


def test_coverage_of_the_worst_of_several():
    """Each of n is covered with 1 - 0.0455/n."""
    for df, of in ((8, 5), (20, 9), (3, 2)):
        share = 1 - (1 - stats.norm.cdf(2.0)) / of
        assert coverage(df, of) == pytest.approx(float(stats.t.ppf(share, df)), rel=1e-9)


def test_coverage_of_many_readings():
    assert coverage(math.inf) == 2.0
    assert coverage(199) == pytest.approx(2.0, abs=0.02)


def test_degrees_of_freedom_by_hand():
    """Parts of 3 (4 degrees) and 4 (9): 625 / (81/4 + 256/9) = 12.835 (Welch, Satterthwaite)."""
    one, other = Measured(10.0, 3.0, 4), Measured(2.0, 4.0, 9)
    for made in (difference(one, other), total((one, other))):
        assert made.u == pytest.approx(5.0)
        assert made.df == pytest.approx(625 / (81 / 4 + 256 / 9), rel=1e-12)
        assert made.expanded == pytest.approx(5.0 * coverage(12))
    assert widened(one, 4.0).df == pytest.approx(625 / (81 / 4), rel=1e-12)
    assert ratio(one, Measured(2.0, 0.0)).df == pytest.approx(4)


def test_counted_drops():
    """100 drops in 30 min: 200 ± 20 an hour; 9 in 20 min: 27 ± 9 (root of the count)."""
    result = isolated(2, 100, 9, Watched(30, 20), last_drop_min=19.0)
    assert (result.open_per_h.value, result.open_per_h.u) == pytest.approx((200.0, 20.0))
    assert (result.shut_per_h.value, result.shut_per_h.u) == pytest.approx((27.0, 9.0))


def test_a_daily_check_by_hand():
    """C3, 2 kg: v = 0.66667 g; 500 g are 750 v: 0.7 · 1 v = 0.46667 g; mass ± 2 · 0.005 g."""
    said = daily_check(
        500.03, 500.0, CellClass(2000.0), full_g=335.0, mass_u_g=0.005, repeatability_g=0.0
    )
    assert said.value_g == pytest.approx(0.03)
    assert said.limit_g == pytest.approx(0.46667, abs=1e-5)
    assert said.expanded_g == pytest.approx(0.01)
