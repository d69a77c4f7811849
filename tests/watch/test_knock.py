"""What counts as a bang on the bench, and what as drops."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Rows


def counted(drops, spacing_s):
    """Times of knocks, and what is left of the counts of one row."""
    rows = Rows(np.array([100.0]), np.array([300.0]), np.array([20.0]), np.array([drops], float))
    left, knocks_s = without_knocks(rows, np.array([spacing_s]))
    return knocks_s.tolist(), left.drops[0].tolist()


@pytest.mark.parametrize(
    ("drops", "spacing_s"),
    [([1, 1, 0, 0], 1.0), ([2, 1, 0, 0], 1.5), ([1, 1, 1, 0], 60.0), ([1, 1, 1, 1], 10.0)],
)
def test_a_bang_is_taken_out(drops, spacing_s):
    assert counted(drops, spacing_s) == ([100.0], [0.0] * 4)


@pytest.mark.parametrize(
    ("drops", "spacing_s"),
    [
        ([1, 0, 0, 0], 1.0),  # one gate
        ([3, 1, 0, 0], 1.0),  # more than a bang makes
        ([1, 1, 0, 0], 1.6),  # a row so long that two may drip in it
        ([2, 1, 1, 0], 10.0),
        ([1, 1, 1, 0], 61.0),
    ],
)
def test_drops_are_left(drops, spacing_s):
    assert counted(drops, spacing_s) == ([], [float(count) for count in drops])


def test_a_gate_that_says_nothing_counts_nothing():
    knocks_s, left = counted([1, 1, np.nan, 0], 1.0)
    assert knocks_s == [100.0]
    assert left == [0.0] * 4


def test_one_gate_alone_knows_no_bang():
    assert counted([2], 1.0) == ([], [2.0])


def test_drops_of_several_gates_in_one_long_row_are_no_knock():
    drops = np.ones((5, 4))
    rows = Rows(np.arange(5) * 600.0, np.full(5, 300.0), np.full(5, 20.0), drops)
    assert without_knocks(rows, np.full(5, 600.0))[0].drops.sum() == 20
    assert without_knocks(rows, np.full(5, 1.0))[0].drops.sum() == 0
