"""The normal distribution, against its table."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from soakmon.watch.normal import NORMAL_95, below, nearly_below


def test_below_is_as_tabulated():
    assert below(np.array([0.0, 1.0, 2.0, -1.0])) == pytest.approx(
        [0.5, 0.841345, 0.977250, 0.158655], abs=1e-6
    )


def test_below_keeps_the_shape_and_holds_in_the_tails():
    z = np.linspace(-8.0, 8.0, 12).reshape(3, 4)
    assert below(z) == pytest.approx(norm.cdf(z), rel=1e-12)


def test_the_middle_95_per_cent():
    assert norm.cdf(NORMAL_95) - norm.cdf(-NORMAL_95) == pytest.approx(0.95, abs=1e-7)


def test_what_is_looked_up_is_right_to_a_millionth():
    z = np.concatenate([np.linspace(-12, 12, 5003), [-0.00037, 0.00049]])
    assert nearly_below(z) == pytest.approx(below(z), abs=1e-6)
