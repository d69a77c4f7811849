"""Sums of chances kept as logarithms: by axis, and where the chances themselves are nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from soakmon.watch.logs import log_sum


@given(arrays(float, (3, 4), elements=st.floats(-30, 30)))
def test_it_is_the_logarithm_of_the_sum(terms):
    assert log_sum(terms) == pytest.approx(np.log(np.exp(terms).sum()))
    for axis in (0, 1, -1):
        assert log_sum(terms, axis) == pytest.approx(np.log(np.exp(terms).sum(axis=axis)))


def test_chances_too_small_for_a_number_are_summed_all_the_same():
    assert log_sum(np.array([-2000.0, -2000.0])) == pytest.approx(-2000 + np.log(2))


def test_each_sum_stands_by_itself_however_small_beside_the_others():
    terms = np.array([[0.0, 0.0], [-2000.0, -2000.0]])
    assert log_sum(terms, 1) == pytest.approx([np.log(2), -2000 + np.log(2)])


def test_only_the_axis_that_is_summed_goes():
    assert log_sum(np.zeros((2, 1, 3)), 0).shape == (1, 3)
