"""The trend estimator and the sequential test against published and reference values."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.cell_states import OFFSET, SIZE, SLACK, ZEROS
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.sequential import Cusum
from soakmon.watch.settings import Settings
from soakmon.watch.spread import slices_of
from soakmon.watch.trend import trend

# NIST StRD linear regression, Norris (low difficulty, observed): data and certified values.
NORRIS_X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
])  # fmt: skip
NORRIS_Y = np.array([
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
])  # fmt: skip


def test_norris_of_nist():
    line = trend(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.slope_se == pytest.approx(0.429796848199937e-3, rel=1e-11)


@given(st.integers(0, 2**31), st.floats(-5, 5), st.floats(0, 1e6))
def test_trend_equals_ordinary_least_squares_of_statsmodels(seed, slope, start):
    rng = np.random.default_rng(seed)
    x = start + np.sort(rng.uniform(0, 100, 30))
    y = slope * x + rng.normal(0, 1, 30)
    theirs = sm.OLS(y, sm.add_constant(x - start)).fit()
    ours = trend(x, y)
    assert ours.slope == pytest.approx(theirs.params[1], abs=1e-7)
    assert ours.slope_se == pytest.approx(theirs.bse[1], rel=1e-6)


def test_slope_of_white_noise_reaches_the_cramer_rao_bound():
    """12σ²/(N(N²-1)Δt²), Kay, Estimation Theory, ex. 3.7 (memory): 24 h, 0.1 g: 2.94884 mg/h."""
    rng = np.random.default_rng(3)
    hours = np.arange(24.0)
    slopes = [trend(hours, rng.normal(0, 0.1, 24)).slope for _ in range(4000)]
    assert float(np.std(slopes)) == pytest.approx(0.00294884, rel=0.04)


def run_length(cusum: Cusum, shift: float, rng: np.random.Generator) -> int:
    cusum.total, count = 0.0, 0
    while True:
        for value in rng.normal(shift, 1, 64).tolist():
            count += 1
            if cusum.add(value):
                return count


# Published average run lengths, one-sided: Brook & Evans (1972); Vance (1986), Table 1; Waldmann
# (1986), all as the manual of the R package spc transcribes them.
@pytest.mark.parametrize(
    ("reference", "limit", "shift", "published"),
    [
        (0.5, 3.0, 0.0, 117.59),
        (0.5, 3.0, 1.5, 3.75),
        (0.5, 3.0, 0.5, 17.35),
        (0.0, 10.0, 0.0, 124.66),
        (0.0, 10.0, 0.25, 36.71),
        (0.0, 10.0, 0.5, 20.37),
        (0.0, 10.0, 1.0, 10.75),
    ],
)
def test_cusum_run_lengths(reference, limit, shift, published):
    rng = np.random.default_rng(11)
    cusum = Cusum(reference, limit)
    lengths = [run_length(cusum, shift, rng) for _ in range(5000)]
    error = float(np.std(lengths)) / math.sqrt(len(lengths))
    assert float(np.mean(lengths)) == pytest.approx(published, abs=4 * error)


def two_sided_run(start: float, shift: float, rng: np.random.Generator) -> int:
    up, down, count = Cusum(0.5, 4.0, start), Cusum(0.5, 4.0, start), 0
    while True:
        for value in rng.normal(shift, 1, 16).tolist():
            count += 1
            rising, falling = up.add(value), down.add(-value)
            if rising or falling:
                return count


# Lucas & Crosier (1982), Table 1, k 0.5, h 4, as the manual of the R package spc transcribes it:
# shift in sd, mean run length, and the same when both sums start at half of the limit.
LUCAS_CROSIER = [
    (0.0, 168.0, 149.0), (0.25, 74.2, 62.7), (0.5, 26.6, 20.1), (0.75, 13.3, 8.97),
    (1.0, 8.38, 5.29), (1.5, 4.75, 2.86), (2.0, 3.34, 2.01), (2.5, 2.62, 1.59),
    (3.0, 2.19, 1.32), (4.0, 1.71, 1.07), (5.0, 1.31, 1.01),
]  # fmt: skip


@pytest.mark.parametrize(("shift", "published", "with_head_start"), LUCAS_CROSIER)
def test_two_sided_cusum_of_lucas_and_crosier(shift, published, with_head_start):
    """Four standard errors of 3,000 runs, and half a digit of the table."""
    rng = np.random.default_rng(12)
    for start, wanted in ((0.0, published), (2.0, with_head_start)):
        lengths = [two_sided_run(start, shift, rng) for _ in range(3000)]
        error = float(np.std(lengths)) / math.sqrt(len(lengths))
        digit = 0.5 if wanted > 100 else 0.05 if wanted > 10 else 0.005
        assert float(np.mean(lengths)) == pytest.approx(wanted, abs=4 * error + digit)


def test_the_mass_filter_equals_generalised_least_squares_of_statsmodels():
    """Leak estimate and its sd from the filter against GLS with the model's whole covariance."""
    rng = np.random.default_rng(5)
    hours = np.arange(1, 241) / 60
    noise, leak = 0.05, 0.4
    reading = -leak * hours + rng.normal(0, noise, len(hours))
    reading += np.cumsum(rng.normal(0, 0.02 / math.sqrt(60), len(hours)))
    ours = MassFilter(
        slices_of(Settings()), 0.1, onsets=1, short_g=(0.32, 0.17), unsteady_rel_sd=0.1
    )
    row = np.zeros(SIZE)
    row[OFFSET] = 1.0
    for hour, value in zip(hours, reading, strict=True):
        ours.predict(1 / 60)
        ours.update(row, value, noise, np.array([0.0, 0.0, -hour]))
    _, means, sds = ours.leak_by_filter(0)
    for cell in (0, 6, 8):
        drift = ours.drift_g2_per_h[cell * len(ZEROS)]
        place = cell * len(ZEROS) * len(ours.slice_log)
        # The readings are means of the walk over each minute.
        middle = hours - 0.5 / 60
        covariance = 30.0**2 + drift * np.minimum.outer(middle, middle)
        covariance -= drift / 60 / 6 * np.eye(len(hours))
        covariance += noise**2 * np.eye(len(hours))
        theirs = sm.GLS(reading, -hours[:, None], sigma=covariance).fit()
        sd = float(np.sqrt(theirs.normalized_cov_params[0, 0]))
        assert means[place] == pytest.approx(theirs.params[0], rel=1e-4)
        assert sds[place] == pytest.approx(sd, rel=1e-4)
    assert SLACK != OFFSET
