"""A bottle that ran dry, and what only looks like it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.decide import decide
from soakmon.watch.dry_bottle import DryBottle
from tests.watch.nights import BENCH, night

FILL_ML = 500.0


def after(
    *masses_g: float, frozen: frozenset[float] = frozenset(), every_s: float = 60.0
) -> DryBottle:
    """The watch after minutes with these masses; frozen: those read to the digit all the while."""
    bottle = DryBottle(FILL_ML)
    for minute, mass_g in enumerate(masses_g):
        still, still_air = mass_g in frozen, (20.0, math.nan, 1.0, np.zeros(4))
        bottle.step(Average(every_s * minute, mass_g, 0.01, 12, *still_air, still))
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


def test_one_that_weighs_again_what_it_did_was_never_empty():
    """Taken off its hook, or a cell that read nothing for minutes."""
    back = after(300.0, 300.1, 0.5, 0.5, 0.5, 0.5, 299.8)
    assert not back.dry
    assert math.isnan(back.empty_s)
    # It was before, and it was filled again.
    assert after(0.5, 0.5, 0.5, 300.0, 0.0, 0.0, 0.0, 300.0).empty_s == 120.0
    assert after(300.0, 0.5, 0.5, 0.5, 280.0).empty_s == 180.0


def test_a_lively_cell_that_reads_one_and_the_same_nothing_weighs_nothing():
    stood = [300.0 + 0.01 * minute for minute in range(20)]
    nothing = frozenset([0.0])
    assert after(*stood, 0.0, 0.0, 0.0, frozen=nothing).poured_g_per_h == 0.0
    # Unless it read so while the bottle stood, too.
    coarse = frozenset([0.0, 300.0])
    assert after(*[300.0] * 20, 0.0, 0.0, 0.0, frozen=coarse).poured_g_per_h > 0
    # Or pours until it is empty, and repeats itself then.
    assert after(*stood, 200.0, 100.0, 0.3, 0.0, 0.0, frozen=nothing).poured_g_per_h > 0


@pytest.mark.parametrize("noise_g", [0.0, 0.04])
def test_minutes_in_which_nothing_is_weighed_are_no_flood_in_the_end(noise_g):
    """A wire off for seven minutes: the bottle then weighs what it did."""
    rows = night(5, hours=12.0)
    off = (rows.t_s > 6 * 3600) & (rows.t_s < 6 * 3600 + 420)
    nothing = np.round(np.random.default_rng(1).normal(0, noise_g, len(rows)), 3)
    mass_g = np.where(off, nothing, rows.mass_g)
    verdict = decide(replace(rows, mass_g=mass_g), BENCH).verdict
    assert verdict.outcome != "leaking"
    assert not [fault for fault in verdict.faults if fault.kind == "bottle_empty"]
    if noise_g == 0:
        assert not [alarm for alarm in verdict.alarms if alarm.leaks]


def test_it_pours_however_far_rows_are_apart():
    poured = after(151.4, 151.5, 151.4, 128.0, 10.3, -1.1, -1.1, -1.1, every_s=300.0)
    assert poured.poured_g_per_h == pytest.approx(151.4 * 4, rel=0.01)


def test_what_was_hung_on_an_empty_bottle_and_taken_off_is_no_fuel():
    hung = after(0.5, 0.5, 0.5, *[60.5] * 20, 0.5, 0.5, 0.5)
    assert hung.poured_g_per_h == 0.0
