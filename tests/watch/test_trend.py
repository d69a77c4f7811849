"""A straight line through readings, against what it must be."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.trend import trend


def test_a_line_is_found_whatever_is_missing_and_however_far_from_zero():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    y = 7.0 - 2.0 * x
    y[2], x[4] = np.nan, np.nan
    found = trend(x, y)
    assert (found.intercept, found.slope, found.slope_se) == pytest.approx((7, -2, 0), abs=1e-12)
    late = trend(x + 1e9, y)
    assert (late.slope, late.slope_se) == pytest.approx((-2, 0), abs=1e-9)
    assert found.crosses(0.0) == pytest.approx(3.5)


def test_the_standard_error_is_that_of_the_textbook():
    """Slope ± s/√Sxx, by hand: residuals ∓1 about a level line, Sxx = 5, two degrees of freedom."""
    found = trend(np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.0, -1.0, -1.0, 1.0]))
    assert found.slope == pytest.approx(0.0, abs=1e-15)
    assert found.slope_se == pytest.approx(math.sqrt(4 / 2 / 5))
    assert found.intercept == pytest.approx(0.0, abs=1e-15)


def test_a_level_line_meets_no_other_level():
    assert trend(np.arange(3.0), np.ones(3)).crosses(2.0) == math.inf


@pytest.mark.parametrize(
    ("x", "y"), [([0, 1], [0, 1]), ([2, 2, 2], [0, 1, 2]), ([0, 1, np.nan], [0, 1, 2])]
)
def test_too_little_makes_no_line(x, y):
    with pytest.raises(ValueError, match="three points"):
        trend(np.array(x, float), np.array(y, float))
