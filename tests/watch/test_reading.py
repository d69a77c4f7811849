"""How far a tight rack's reading may be off, before any reading."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from soakmon.watch.cell_states import CREEP, SIZE, TEMP, TEMP_20, WANDER
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.reading import CellPrior, holding
from soakmon.watch.spread import PARTS, Slices

NOWHERE = np.zeros((1, 4))
ONE_HOUR = np.ones(1)


def prior(walk_g2_per_h: float = 0.0, *, lasts_h: float = 1.0, **start_g2: float) -> CellPrior:
    """One kind of cell whose bowls are short of next to nothing."""
    start, fades = np.zeros((1, SIZE)), np.zeros((1, SIZE))
    for name, value in start_g2.items():
        state = {"wander": WANDER, "creep": CREEP, "now": TEMP, "lagged": TEMP_20}[name]
        start[0, state], fades[0, state] = value, 1 / lasts_h
    return CellPrior(np.ones(1), np.full(1, walk_g2_per_h), start, fades, 1e-9, 1e-9)


def width(cell: CellPrior, hours: np.ndarray = ONE_HOUR, warmer_c: np.ndarray = NOWHERE) -> float:
    low, high = cell.strays(hours, warmer_c, np.zeros(1), np.zeros(1))
    assert -low == pytest.approx(high)
    return float(high[0]) / 1.959964


@given(sd=st.floats(0.001, 100.0), share=st.floats(0.5, 0.99))
def test_of_one_kind_of_cell_it_is_the_normal_distribution(sd, share):
    held = holding(np.array([[sd]]), np.ones(1), share)
    assert held == pytest.approx([sd * norm.ppf(0.5 + share / 2)], rel=2e-3)


def test_of_two_kinds_it_holds_the_share_of_both_together():
    sds, chance = np.array([[0.1, 1.0]]), np.array([3.0, 1.0])
    (held,) = holding(sds, chance)
    inside = 2 * norm.cdf(held / sds[0]) - 1
    assert inside @ chance / 4 == pytest.approx(0.95, abs=1e-3)


def test_of_no_spread_nothing():
    assert holding(np.zeros((2, 1)), np.ones(1)) == pytest.approx([0.0, 0.0], abs=1e-9)


def test_a_walk_goes_with_the_root_of_time():
    cell = prior(0.04)
    assert width(cell) == pytest.approx(0.2, rel=2e-3)
    assert width(cell, np.array([9.0])) == pytest.approx(0.6, rel=2e-3)


def test_what_wanders_and_comes_back_is_at_both_ends():
    """After many times its own length, twice its variance; after ln 2 of it half of that."""
    cell = prior(wander=0.01, lasts_h=1.0)
    assert width(cell, np.array([20.0])) == pytest.approx(0.1 * np.sqrt(2), rel=2e-3)
    assert width(cell, np.array([np.log(2)])) == pytest.approx(0.1, rel=2e-3)


def test_creep_goes_by_and_all_of_it_shows_in_the_end():
    cell = prior(creep=0.04, lasts_h=1.0)
    assert width(cell, np.array([np.log(2)])) == pytest.approx(0.1, rel=2e-3)
    assert width(cell, np.array([20.0])) == pytest.approx(0.2, rel=2e-3)


def test_a_zero_follows_each_lag_of_the_temperature():
    cell = prior(now=0.01, lagged=0.04)
    warmer = np.array([[3.0, 2.0, 5.0, 5.0]])
    assert width(cell, warmer_c=warmer) == pytest.approx(np.hypot(0.3, 0.4), rel=2e-3)


def test_noise_adds_and_bowls_that_have_lost_live_on_what_they_hold():
    cell = CellPrior(np.ones(1), np.zeros(1), np.zeros((1, SIZE)), np.zeros((1, SIZE)), 0.3, 0.1)
    low, high = cell.strays(ONE_HOUR, NOWHERE, np.full(1, 0.0009), np.zeros(1))
    assert (low, high) == (pytest.approx([-0.0588], rel=2e-3), pytest.approx([0.0588], rel=2e-3))
    low, high = cell.strays(ONE_HOUR, NOWHERE, np.zeros(1), np.full(1, 30.0))
    # By so much less has left the bottle, give or take a sip.
    assert (low + high) / 2 == pytest.approx([-0.3])
    assert (high - low) / 2 == pytest.approx([0.196], rel=2e-3)


def test_beliefs_are_those_of_a_filter_that_has_seen_nothing():
    slices = Slices(np.ones(1), np.zeros((1, PARTS)), np.eye(PARTS)[None])
    fresh = MassFilter(slices, 0.1, 3, short_g=(0.3, 0.1), unsteady_rel_sd=0.1)
    cell = CellPrior.of(fresh)
    assert cell.chance.sum() == pytest.approx(1.0)
    assert (cell.short_g, cell.short_sd_g) == (0.3, 0.1)
    fresh.predict(5.0)
    assert cell.start_g2[:, WANDER] == pytest.approx(fresh.swings_g2[:, WANDER])
    assert np.all(cell.fades_per_h[:, CREEP] == 1 / 0.3)
