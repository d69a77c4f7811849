"""Page's CUSUM: what it sums, when it signals, and when the shift began."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.sequential import Cusum


def test_it_sums_what_lies_above_the_reference_and_never_below_zero():
    cusum = Cusum(reference=1.0, limit=3.0)
    told = [(cusum.add(z), cusum.total, cusum.began) for z in (0.5, 2.0, 3.0, -9.0, 2.5)]
    assert told == [(False, 0, 0), (False, 1, 1), (False, 3, 2), (False, 0, 0), (False, 1.5, 1)]


def test_it_signals_beyond_the_limit_and_not_at_it():
    cusum = Cusum(reference=1.0, limit=3.0)
    assert [cusum.add(z) for z in (4.0, 1.0, 1.25)] == [False, False, True]
    assert cusum.began == 3


@given(st.lists(st.floats(-4, 4), min_size=1, max_size=60))
def test_it_is_the_largest_sum_of_the_latest_readings(readings):
    cusum = Cusum(reference=0.5, limit=1e9)
    for one in readings:
        cusum.add(one)
    tails = [np.sum(np.array(readings[k:]) - 0.5) for k in range(len(readings))]
    assert abs(cusum.total - max(0.0, *tails)) < 1e-9
