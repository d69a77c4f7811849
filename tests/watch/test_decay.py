"""Drops with the feed shut: what each cause makes of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch import decay
from soakmon.watch.decay import Shut
from soakmon.watch.verdict import Cause

JOINT, CRACK = Cause.BOWL_JOINT_WEEP, Cause.OVERFLOW_TUBE_CRACK
RAIL, NEEDLE = Cause.RAIL_JOINT_WEEP, Cause.NEEDLE_WEEP


def shut(parts: tuple[int, ...], before: int = 20, hours: float = 8.0) -> Shut:
    """A gate that had counted `before` drops in two hours."""
    return Shut(before, 2.0, hours, parts, DROP_G, 0.015, 6.3)


def likeliest(seen: Shut) -> Cause:
    return max((JOINT, CRACK, RAIL), key=lambda cause: decay.likelihood(cause, seen))


@pytest.mark.parametrize(
    ("parts", "cause"),
    [
        ((20, 19, 19, 19), JOINT),
        ((17, 13, 9, 6), CRACK),
        ((18, 9, 3, 1), CRACK),
        ((2, 0, 0, 0), RAIL),
        ((0, 0, 0, 0), RAIL),
    ],
)
def test_how_drops_go_on_tells_the_cause(parts, cause):
    assert likeliest(shut(parts)) is cause


def test_a_needle_and_a_rail_joint_both_end_with_the_feed():
    nothing = shut((0, 0, 0, 0))
    assert decay.likelihood(NEEDLE, nothing) == pytest.approx(decay.likelihood(RAIL, nothing))
    assert decay.likelihood(NEEDLE, nothing) > 100 * decay.likelihood(JOINT, nothing)


def test_a_hose_that_drains_keeps_a_crack_going():
    steady = shut((20, 20, 20, 20))
    held = Shut(20, 2.0, 8.0, (20, 20, 20, 20), DROP_G, 0.015, 0.0)
    assert decay.likelihood(CRACK, steady) > 10 * decay.likelihood(CRACK, held)


@given(
    st.sampled_from([JOINT, CRACK, RAIL, NEEDLE, Cause.NEEDLE_STUCK_OPEN]),
    st.lists(st.integers(0, 200), min_size=4, max_size=4),
    st.integers(1, 60),
    st.floats(0.1, 24.0),
)
def test_a_likelihood_is_a_positive_number(cause, parts, before, hours):
    value = decay.likelihood(cause, shut(tuple(parts), before, hours))
    assert np.isfinite(value)
    assert 0 < value < 10


def test_watching_lasts_until_enough_is_out_or_the_night_is_over():
    assert decay.telling_s(1.0, seen=True, left_s=0.0) == pytest.approx(3 * 3600)
    assert decay.telling_s(0.01, seen=True, left_s=0.0) == 6 * 3600
    assert decay.telling_s(0.01, seen=True, left_s=15 * 3600.0) == 15 * 3600
    assert decay.telling_s(1.0, seen=False, left_s=0.0) < decay.telling_s(1.0, seen=True, left_s=0)


def test_a_leak_has_stopped_when_a_dozen_drops_did_not_come():
    assert not decay.stopped(10 * DROP_G / 0.1 * 3600, 0.1)
    assert decay.stopped(13 * DROP_G / 0.1 * 3600, 0.1)
