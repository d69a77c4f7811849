"""Counts, limits and straying cells of the bench tests, against scipy, statsmodels and by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, stats
from uncertainties import ufloat

from soakmon.capability.both_bounds import EDGES_H, TightNight, bounds_of, residual_g
from soakmon.capability.world_bound import world_bound
from soakmon.physics.expectation import expected_loss
from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry
from soakmon.weigh import straying
from soakmon.weigh.at_rest import Zero, creep_judged, zero_judged
from soakmon.weigh.blank_run import blank_run, blank_weighed
from soakmon.weigh.counts import at_most_of, exactly, fewer, mean_limits, rate
from soakmon.weigh.drain import drained
from soakmon.weigh.isolation import DripCourse, Watched, isolated
from soakmon.weigh.oiml import CellClass
from soakmon.weigh.uncertainty import change

CELL = CellClass(1000.0)


@pytest.mark.parametrize("count", [0, 1, 3, 5, 60, 3000, 40000])
def test_limits_of_a_count_are_those_of_the_mid_p_test(count):
    """Both tails of 2.5 %, with half of what was counted, by scipy."""
    low, high = mean_limits(count)
    poisson = stats.poisson
    below = poisson.cdf(count - 1, high) + 0.5 * poisson.pmf(count, high)
    assert below == pytest.approx(0.025, abs=1e-10)
    if count:
        above = poisson.sf(count, low) + 0.5 * poisson.pmf(count, low)
        assert above == pytest.approx(0.025, abs=1e-10)
    else:
        assert low == 0.0
    found = rate(count, 20.0)
    assert (found.low, found.high) == pytest.approx((3 * low, 3 * high))


@pytest.mark.parametrize(("count", "mean"), [(0, 2.0), (3, 0.3), (150, 200.0), (700, 2.0)])
def test_poisson_against_scipy(count, mean):
    assert exactly(count, mean) == pytest.approx(float(stats.poisson.pmf(count, mean)), rel=1e-10)
    assert fewer(count, mean) == pytest.approx(float(stats.poisson.cdf(count - 1, mean)), abs=1e-12)


def test_binomial_against_scipy():
    for count, tries, chance in ((0, 5, 0.2), (3, 10, 0.3), (300, 1000, 0.3), (10, 10, 0.9)):
        exact = float(stats.binom.cdf(count, tries, chance))
        assert at_most_of(count, tries, chance) == pytest.approx(exact, rel=1e-9)
    assert (at_most_of(2, 5, 0.0), at_most_of(2, 5, 1.0)) == (1.0, 0.0)


def test_mid_p_limits_hold_in_95_of_100():
    """By Poisson's probabilities, over means of 3 to 60 drops, spread evenly on a log scale."""
    limits = np.array([mean_limits(k) for k in range(140)])
    means = np.exp(np.linspace(math.log(3), math.log(60), 400))
    held = [
        stats.poisson.pmf(np.arange(140), m)[(limits[:, 0] <= m) & (m <= limits[:, 1])].sum()
        for m in means
    ]
    assert float(np.mean(held)) == pytest.approx(0.95, abs=0.004)
    assert 0.914 <= min(held) <= max(held) <= 0.975


def test_silence_and_fading_by_the_binomial_law():
    """Drops of both times together fall into the second with its share (Przyborowski, Wilenski)."""
    for before, after_min in ((2, 60.0), (4, 40.0), (8, 20.0)):
        silent = float(stats.binom.pmf(0, before, (after_min - 2) / (30 + after_min - 2)))
        found = isolated(1, before, 0, Watched(30, after_min), last_drop_min=None)
        assert (found.way is DripCourse.STOPS) == (silent < 0.05)
    for before in range(60, 90):
        for after in range(1, 40):
            # Half of the rate before would put a third of all drops into an equal time after.
            seldom = float(stats.binom.cdf(after, before + after, 1 / 3))
            found = isolated(1, before, after, Watched(30, 30), last_drop_min=29.0)
            assert (found.way is DripCourse.FADES) == (seldom < 0.025)


def test_what_a_dry_gate_counts_is_poisson():
    """Two in seven hours are told as drops from where they are rarer than 5 %, by scipy."""
    for dark_per_h in (0.05, 0.052):
        seldom = float(stats.poisson.sf(1, 7 * dark_per_h)) < 0.05
        found = isolated(1, 0, 2, Watched(60, 360, dark_per_h), last_drop_min=300)
        assert (found.way is not DripCourse.DRY) == seldom == (dark_per_h < 0.051)


def test_creep_is_read_at_the_times_of_r_60():
    """A straight drift of 0.01 g/min: 0.3 g over 30 min, 0.1 g from 20 to 30."""
    points = [(float(m), 0.01 * m) for m in range(32)]
    in_all, late = creep_judged(points, 1.0, CELL, 1000.0, 0.0)
    assert in_all.value_g == pytest.approx(0.01 * (30 - 0.5))
    assert late.value_g == pytest.approx(0.01 * (30 - 20))
    assert (in_all.limit_g, late.limit_g) == pytest.approx((0.245, 0.0525))
    short = [(m, g) for m, g in points if m <= 29]
    with pytest.raises(ValueError, match="30 min"):
        creep_judged(short, 1.0, CELL, 1000.0, 0.0)


def test_zero_shifts_are_least_squares_of_statsmodels():
    rng = np.random.default_rng(2)
    air_c, kpa = rng.uniform(10, 30, 12), rng.uniform(98, 103, 12)
    grams = 0.05 * air_c + 0.1 * kpa + rng.normal(0, 0.2, 12)
    zeros = [Zero(*three) for three in zip(air_c.tolist(), grams.tolist(), kpa.tolist(),
                                           strict=True)]  # fmt: skip
    found = zero_judged(zeros, 1.0, CELL, None, 0.0)
    fit = sm.OLS(grams, sm.add_constant(np.column_stack((air_c, kpa)))).fit()
    assert found[0].value_g == pytest.approx(5 * fit.params[1])
    assert found[1].value_g == pytest.approx(fit.params[2])
    # Scatter pooled with 0.15 g of 8 degrees of freedom: t of 17 is 2.158.
    sd = math.sqrt((8 * 0.15**2 + fit.ssr) / 17)
    widths = sd * np.sqrt(np.diag(fit.normalized_cov_params))[1:]
    assert found[0].expanded_g == pytest.approx(2.158 * 5 * widths[0], rel=1e-3)
    assert found[1].expanded_g == pytest.approx(2.158 * widths[1], rel=1e-3)


def test_a_change_has_one_repeatability():
    """By hand: 0.0002 and 0.0008 g² of scatter with 0.03 g of 8 degrees, over 2 and 3."""
    found = change([12.00, 12.02], [12.40, 12.42, 12.38], 0.003, repeat=0.03)
    weighing = math.sqrt((8 * 0.0009 + 0.0002 + 0.0008) / 11)
    gone = ufloat(12.40, weighing / math.sqrt(3)) - ufloat(12.01, weighing / math.sqrt(2))
    both = gone + ufloat(0, 0.003) + ufloat(0, 0.003)
    assert (found.value, found.u) == pytest.approx((0.39, both.std_dev))
    assert found.df == pytest.approx(11 * (both.std_dev / gone.std_dev) ** 4)


def test_spread_of_a_median_by_its_density():
    """Variance of the median of n normal values: of odd n one integral, of even n two."""
    for n in range(2, 9):
        variance = _median_variance(n)
        cups = [(50.0, 80.0)] * n
        level = drained(cups, FUELS["petrol_a"], 20.0, [1200.0] * n)[0].level_mm
        own = drained(cups[:1], FUELS["petrol_a"], 20.0, [1200.0])[0]
        alone = math.sqrt(own.volume_ml.u**2 - (0.01 * own.volume_ml.value) ** 2) / 1.2
        assert level.u == pytest.approx(alone * math.sqrt(1 + variance - 2 / n), rel=2e-4)


def _median_variance(n: int) -> float:
    """Of n independent standard normal values."""
    norm, half = stats.norm, n // 2
    if n % 2:
        ways = math.factorial(n) / math.factorial(half) ** 2
        return float(integrate.quad(
            lambda x: ways * x * x * norm.pdf(x) * (norm.cdf(x) * norm.sf(x)) ** half, -9, 9)[0]
        )  # fmt: skip
    grid = np.linspace(-8, 8, 1601)
    low, high = np.meshgrid(grid, grid, indexing="ij")
    ways = math.factorial(n) / math.factorial(half - 1) ** 2
    density = np.where(high >= low, 1.0, 0.0) * ways * norm.pdf(low) * norm.pdf(high)
    density[np.diag_indices_from(density)] *= 0.5
    density *= (norm.cdf(low) * norm.sf(high)) ** (half - 1)
    return float((density * ((low + high) / 2) ** 2).sum() * (grid[1] - grid[0]) ** 2)


def test_creep_time_of_sixty_five_cells():
    """30 over 60 minutes is 0.84 (NIST): 1 / (1 + exp(-30/T)), T = 18.1 min."""
    share = 1 / (1 + math.exp(-1800 / straying._CREEP_S))
    assert share == pytest.approx(0.84, abs=0.004)


def test_creep_of_a_kilogram_by_trade_sheets():
    """0.02 to 0.05 % in half an hour: 0.3 g in the middle, spread 0.6, root mean square."""
    assert 0.3 * math.exp(0.6**2) == pytest.approx(straying._CREEP_G, rel=0.01)
    middle, log_sd = math.sqrt(0.2 * 0.5), math.log(0.5 / 0.2) / 2
    assert middle * math.exp(log_sd**2) == pytest.approx(straying._CREEP_G, rel=0.15)


def test_white_noise_of_a_record_is_that_of_its_draws():
    """Readings a minute apart with 0.05 g of noise: of means of twenty 0.05²/20."""
    rng = np.random.default_rng(4)
    t_s = 60.0 * np.arange(1440)
    made = straying.averaged(t_s, 400 + rng.normal(0, 0.05, 1440), np.full(1440, 20.0), t_s, 1e-6)
    assert len(made.t_s) == 71
    assert float(np.median(made.white_g2)) == pytest.approx(0.05**2 / 20, rel=0.1)


def test_the_loss_of_a_record_is_generalised_least_squares_of_statsmodels(monkeypatch):
    """One kind of cell, of known covariance: factor and its error."""
    monkeypatch.setattr(straying, "_WALKS", ((0.04, 1.0),))
    monkeypatch.setattr(straying, "_RETURNS", ((0.1, 1.0),))
    monkeypatch.setattr(straying, "_ZEROS", ((1.0, 1.0),))
    rng = np.random.default_rng(5)
    t_s = 1200.0 * np.arange(72)
    lost_g = 3.0 * t_s / t_s[-1] + 0.1 * np.sin(t_s / 7000)
    mass_g = 400 - 1.2 * lost_g + np.cumsum(rng.normal(0, 0.02, 72))
    steady = np.full(72, 20.0)
    found = straying.fitted(
        straying.Record(t_s, mass_g, steady, lost_g, np.full(72, 1e-5), 1200.0), 0.0
    )
    walked = 0.04**2 * (np.minimum.outer(t_s, t_s) + 600.0 - 200.0 * np.eye(72)) / 3600
    crept = 0.43 * np.exp(-t_s / 1100)
    came_back = 0.1**2 * np.exp(-np.abs(np.subtract.outer(t_s, t_s)) / 7200)
    noise = walked + came_back + np.outer(crept, crept) + 1e-5 * np.eye(72)
    fit = sm.GLS(mass_g, np.column_stack((np.ones(72), -lost_g)), sigma=noise).fit()
    assert found.value == pytest.approx(float(fit.params[1]), rel=1e-6)
    assert found.u == pytest.approx(math.sqrt(fit.normalized_cov_params[1, 1]), rel=1e-4)


def test_kinds_of_cells_are_weighed_by_their_restricted_likelihood(monkeypatch):
    """Two walks: weights from the density of what is left of the line (scipy), factors mixed."""
    walks = (0.03, 0.06)
    monkeypatch.setattr(straying, "_WALKS", tuple((walk, 1.0) for walk in walks))
    monkeypatch.setattr(straying, "_RETURNS", ((0.0, 1.0),))
    monkeypatch.setattr(straying, "_ZEROS", ((1.0, 1.0),))
    rng = np.random.default_rng(6)
    t_s = 1200.0 * np.arange(40)
    lost_g = 2.0 * t_s / t_s[-1]
    mass_g = 400 - lost_g + np.cumsum(rng.normal(0, 0.025, 40))
    found = straying.fitted(
        straying.Record(t_s, mass_g, np.full(40, 20.0), lost_g, np.full(40, 1e-4), 1200.0), 0.0
    )
    line = np.column_stack((np.ones(40), -lost_g))
    left = np.linalg.svd(line)[0][:, 2:]
    crept = 0.43 * np.exp(-t_s / 1100)
    weights, factors, variances = [], [], []
    for walk in walks:
        walked = walk**2 * (np.minimum.outer(t_s, t_s) + 600.0 - 200.0 * np.eye(40)) / 3600
        noise = walked + np.outer(crept, crept) + 1e-4 * np.eye(40)
        normal = stats.multivariate_normal(np.zeros(38), left.T @ noise @ left)
        weights.append(math.exp(normal.logpdf(left.T @ mass_g)))
        fit = sm.GLS(mass_g, line, sigma=noise).fit()
        factors.append(float(fit.params[1]))
        variances.append(float(fit.normalized_cov_params[1, 1]))
    share = np.array(weights) / sum(weights)
    best = float(share @ np.array(factors))
    assert 0.02 < share[0] < 0.98
    assert found.value == pytest.approx(best, rel=1e-5)
    spread = share @ (np.array(variances) + (np.array(factors) - best) ** 2)
    assert found.u == pytest.approx(math.sqrt(float(spread)), rel=1e-4)


def test_blank_runs_by_the_library():
    """A day at 20 °C, weighed once at both ends: u by parts, and the ratio with its own."""
    geometry, fuel = BenchGeometry(), FUELS["petrol_a"]
    alone = BenchGeometry(bowls=())
    t_s = 600.0 * np.arange(145)
    expected_g, warmer_g = (
        float(expected_loss(alone, fuel, t_s, np.full(145, c)).best_g[-1]) for c in (20.0, 20.65)
    )
    found = blank_weighed(geometry, fuel, 24.0, 20.0, before_g=[400.0], after_g=[398.0],
                          drift_g=0.1)  # fmt: skip
    one_g = math.hypot(0.03, 0.005 / math.sqrt(3))
    gone = ufloat(400.0, one_g) - ufloat(398.0, one_g) + ufloat(0, 0.1)
    ratio = gone / ufloat(expected_g, warmer_g - expected_g)
    assert (found.measured_g.value, found.measured_g.u) == pytest.approx((2.0, gone.std_dev))
    assert found.expected_g == pytest.approx(expected_g, rel=1e-3)
    assert found.scale.u == pytest.approx(ratio.std_dev, rel=5e-3)
    assert found.blank_scale == pytest.approx(ratio.nominal_value, rel=1e-3)
    rel = found.scale.expanded / 2 / found.blank_scale
    assert found.blank_rel_sd == pytest.approx(math.hypot(rel, 0.03))


def test_a_recorded_blank_run_gives_back_what_was_lost():
    """1.3 times the expectation, on a cell that does nothing else."""
    geometry, fuel = BenchGeometry(), FUELS["petrol_a"]
    t_s = 60.0 * np.arange(1441)
    air_c = np.full(1441, 20.0)
    lost_g = expected_loss(BenchGeometry(bowls=()), fuel, t_s, air_c).best_g
    noise = np.random.default_rng(1).normal(0, 0.002, 1441)
    found = blank_run(geometry, fuel, t_s, 400 - 1.3 * lost_g + noise, air_c)
    assert found.hours == pytest.approx(24.0)
    assert found.blank_scale == pytest.approx(1.3, rel=0.02)
    assert found.measured_g.value == pytest.approx(1.3 * float(lost_g[-1]), rel=0.02)


def test_the_bound_of_a_world_of_known_covariance():
    """A walk and white noise: generalised least squares of statsmodels; 2.326 + 1.645 sd apart."""
    rng = np.random.default_rng(6)
    hours = np.arange(1.0, 24.0)
    true = 0.02**2 * np.minimum.outer(hours, hours) + 0.01**2 * np.eye(23)
    exact = math.sqrt(float(sm.GLS(hours, hours, sigma=true).fit().normalized_cov_params[0, 0]))
    found = world_bound(rng.multivariate_normal(np.zeros(23), true, 3000), -hours)
    assert found.sd == pytest.approx(exact, rel=0.04)
    # Of a variance with m degrees of freedom one part in the root of 2 m.
    assert found.sd_error == pytest.approx(found.sd / math.sqrt(2 * 2977), rel=1e-9)
    apart = stats.norm.ppf(0.99) + stats.norm.ppf(0.95)
    assert found.smallest() == pytest.approx(apart * found.sd, rel=1e-9)


def test_bounds_are_told_in_grams_a_day():
    """White noise of 0.1 g every two hours: 24 times 0.1 g over the root of the hours' squares."""
    rng, hours = np.random.default_rng(8), np.arange(2.0, 21.0, 2.0)
    nights = [TightNight(rng.normal(0, 0.1, 10), 0.3) for _ in range(2000)]
    found = bounds_of(nights)
    assert found.world_g_per_day == pytest.approx(2.4 / math.sqrt((hours**2).sum()), rel=0.06)
    assert found.world_error_g_per_day == pytest.approx(24 * found.world.sd_error)
    assert found.smallest_g_per_day == pytest.approx(24 * 3.9712 * found.world.sd, rel=1e-4)
    t_s = 60.0 * np.arange(1440)
    assert residual_g(t_s, -0.01 * t_s / 3600) == pytest.approx(-0.01 * hours, abs=1e-3)
    assert EDGES_H[-1] == 23.0
