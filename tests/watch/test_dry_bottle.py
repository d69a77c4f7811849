"""A bottle that ran dry, and what only looks like it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.dry_bottle import DryBottle

FILL_ML = 500.0


def after(*masses_g: float) -> DryBottle:
    """The watch after minutes with these masses."""
    bottle = DryBottle(FILL_ML)
    for minute, mass_g in enumerate(masses_g):
        bottle.step(
            Average(60.0 * minute, mass_g, 0.01, 12, 20.0, math.nan, 1.0, np.zeros(4), False)
        )
    return bottle


def test_it_is_dry_after_three_minutes_without_fuel():
    assert not after(100.0, 0.5, 0.5).dry
    dry = after(100.0, 0.5, 0.5, 0.5)
    assert dry.dry
    assert dry.empty_s == 180.0


def test_a_hundredth_of_its_fill_and_a_gram_are_fuel():
    assert after(5.9, 5.9, 5.9).dry
    assert not after(6.1, 6.1, 6.1).dry


def test_an_empty_bottle_on_a_cell_whose_zero_has_moved_is_dry():
    assert after(100.0, -2.6, -2.5, -2.6).empty_s == 180.0


def test_a_minute_without_a_mass_neither_empties_nor_fills_it():
    assert not after(0.5, math.nan, math.nan, 0.5).dry
    assert after(0.5, math.nan, 0.5, 0.5).dry


def test_one_that_is_filled_again_is_not_dry_and_was_empty_once():
    refilled = after(0.5, 0.5, 0.5, 400.0)
    assert not refilled.dry
    assert refilled.empty_s == 120.0
    assert after(0.5, 0.5, 0.5, 400.0, 0.5, 0.5, 0.5).empty_s == 120.0


def test_one_minute_shows_it_and_later_ones_do_not():
    masses_g = [300.0, 0.5, 0.5, 0.5, 0.5, 0.5]
    just = [after(*masses_g[: minute + 1]).just_dry for minute in range(len(masses_g))]
    assert just == [False, False, False, True, False, False]


def test_how_fast_it_emptied_is_since_it_last_stood():
    stood = [300.0] * 20
    assert after(*stood, 200.0, 100.0, 0.5, 0.5, 0.5).poured_g_per_h == pytest.approx(300 * 20)
    assert after(*stood, 0.5, 0.5, 0.5).poured_g_per_h == pytest.approx(300 * 60)
    # A hand on it for a minute is no fuel.
    assert after(*stood, 900.0, 300.0, 0.5, 0.5, 0.5).poured_g_per_h == pytest.approx(300 * 60)


def test_one_that_trickles_empty_or_was_never_full_has_not_poured():
    trickle = [0.1 * left for left in range(100, 0, -1)]
    assert after(*trickle, *[0.0] * 60).poured_g_per_h == 0.0
    assert after(0.5, 0.5, 0.5).poured_g_per_h == 0.0
