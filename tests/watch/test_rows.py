"""Readings as columns: counts in order of time, and parts that are the rows they were cut from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.rows import RowCount, Rows

DROPS = np.array([[0.0, 2.0], [np.nan, 0.0], [1.0, 1.0]])


def three_rows(**optional: np.ndarray) -> Rows:
    return Rows(np.array([5.0, 7.0, 12.0]), np.full(3, 300.0), np.full(3, 20.0), DROPS, **optional)


def test_counts_come_in_order_with_the_length_of_their_row():
    counts = [(one.gate, one.t_s, one.count, one.spacing_s) for one in three_rows().struck(4.0)]
    assert counts == [(1, 5.0, 2, 1.0), (0, 12.0, 1, 5.0), (1, 12.0, 1, 5.0)]


def test_a_gate_that_said_nothing_counted_nothing():
    assert all(one.t_s != 7.0 for one in three_rows().struck(4.0))


def test_what_was_not_recorded_is_unknown_dark_and_open():
    (first, *_) = three_rows().struck(4.0)
    assert math.isnan(first.dark_ms)
    assert not first.shut


def test_the_beam_and_the_valve_are_those_of_the_row():
    block_ms = np.array([[np.nan, 4.0], [np.nan, np.nan], [6.0, np.nan]])
    counts = list(three_rows(block_ms=block_ms, feed_open=np.array([1.0, 1.0, 0.0])).struck(4.0))
    assert counts[:2] == [
        RowCount(1, 5.0, 2, 1.0, 4.0, False),
        RowCount(0, 12.0, 1, 5.0, 6.0, True),
    ]
    assert math.isnan(counts[2].dark_ms)


def test_a_valve_of_which_nothing_is_known_is_not_shut():
    assert not any(one.shut for one in three_rows(feed_open=np.full(3, np.nan)).struck(4.0))


@given(cut=st.integers(0, 3), fitted=st.booleans())
def test_two_parts_together_are_the_whole(cut, fitted):
    column = np.array([1.0, 0.0, 1.0])
    optional = {"fuel_c": column, "feed_open": column, "block_ms": DROPS} if fitted else {}
    whole = three_rows(**optional)
    parts = whole.part(0, cut), whole.part(cut, 3)
    assert sum(map(len, parts)) == len(whole) == 3
    assert parts[0].gates == parts[1].gates == 2
    for name in Rows.__dataclass_fields__:
        column = getattr(whole, name)
        if column is None:
            assert all(getattr(part, name) is None for part in parts)
        else:
            joined = np.concatenate([getattr(part, name) for part in parts])
            assert joined == pytest.approx(column, nan_ok=True)
