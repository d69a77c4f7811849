"""What flows into a rack, minute by minute: how it ends, goes on, and what may still go in."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.rack_content import RackContent
from soakmon.watch.rack_fill import MAY_GO_ON_S, RackFill

RACK_G, BOWL_G, FULL_G = 120.0, 30.0, 500.0


def minute(number: int, mass_g: float, drops: float = 0.0) -> Average:
    fell = np.array([drops, 0.0, 0.0, 0.0])
    return Average(60.0 * number, mass_g, 0.02, 60, 20.0, math.nan, 1.0, fell, False)


def filled(*losses_g: float, measured: bool = True) -> RackFill:
    """A fill that begins in the third minute, with what the bottle lost in each minute from it."""
    fill = RackFill(RackContent(RACK_G, measured), BOWL_G)
    masses_g = FULL_G - np.cumsum([0.0, 0.0, *losses_g])
    for number, mass_g in enumerate(masses_g.tolist()):
        average = minute(number, mass_g)
        fill.watch(average)
        if number == 2:
            fill.begin(average, FULL_G)
        elif number > 2:
            fill.flow_on()
    return fill


def ended(*losses_g: float, measured: bool = True) -> RackFill:
    fill = filled(*losses_g, measured=measured)
    last = fill.log.minutes[-1]
    fill.end(minute(round(last.t_s / 60), last.mass_g), last.t_s)
    return fill


def test_it_took_what_the_bottle_lost_from_when_it_flowed():
    fill = ended(40.0, 50.0, 30.0, 0.0)
    assert fill.found
    assert fill.taken_g == pytest.approx(120.0)
    assert fill.started_s == fill.begun_s == 120.0
    assert 0 <= fill.flows_s <= 120.0
    assert fill.ended_s == 300.0
    assert fill.mean_g_per_h == pytest.approx(120 * 3600 / (300 - fill.flows_s))


def test_before_it_has_ended_nothing_is_known_of_what_it_took():
    fill = filled(40.0, 50.0)
    assert math.isnan(fill.taken_g)
    assert fill.in_g == 0.0
    assert fill.rack_scale == 1.0
    assert not fill.differs
    assert fill.bowls_short(BOWL_G) == 0


def test_a_flow_ends_at_a_gram_a_minute_or_at_a_quarter_of_a_trickle():
    assert not filled(40.0, 50.0, 1.1).flow_ends
    assert filled(40.0, 50.0, 0.9).flow_ends
    trickle = [2.0] * 12
    assert not filled(*trickle, *[0.8] * 5).flow_ends
    assert filled(*trickle, *[0.3] * 25).flow_ends


@pytest.mark.parametrize(("measured", "rush_g"), [(True, 1.06 * RACK_G - 60), (False, 132.0)])
def test_what_may_still_go_in_after_half_a_rack(measured, rush_g):
    fill = ended(30.0, 30.0, 0.0, measured=measured)
    assert fill.missing_g(600.0) == pytest.approx(60.0)
    # Bowls that were missing are off by what all of the rack is.
    assert fill.rush_g(600.0) == pytest.approx(max(rush_g, 1.15 * RACK_G - 60))
    assert fill.bowls_short(BOWL_G) == 2
    assert fill.differs
    assert fill.rack_scale == pytest.approx(0.5)


def test_hours_later_only_bowls_that_are_known_to_be_missing_may_fill():
    late_s = 121.0 + MAY_GO_ON_S
    assert ended(30.0, 30.0, 0.0).spare_g(late_s) == pytest.approx(1.15 * RACK_G - 60)
    assert ended(30.0, 30.0, 0.0, measured=False).spare_g(late_s) == 0.0
    assert ended(60.0, 60.0, 0.0).spare_g(late_s) == 0.0


@pytest.mark.parametrize(("last", "runs_on"), [(10.0, True), (40.0, False)])
def test_a_full_rack_into_which_fuel_runs_evenly_and_slower_has_sprung_a_leak(last, runs_on):
    assert filled(40.0, 40.0, 34.0, *[last] * 5).runs_on is runs_on
    assert not filled(40.0, 40.0, 34.0, *[last] * 5, measured=False).runs_on


@pytest.mark.parametrize(("drops", "goes_on"), [(0.0, True), (6.0, False)])
def test_a_short_fill_goes_on_unless_it_drops_out_under_the_bowls(drops, goes_on):
    fill = ended(40.0, 20.0, *[0.0] * 5)
    mass_g, number = fill.log.minutes[-1].mass_g, round(fill.ended_s / 60)
    for later in (1, 2, 3):
        average = minute(number + later, mass_g - 15.0 * later, drops)
        fill.watch(average)
    assert fill.goes_on(average, full=False) is goes_on


def test_a_full_rack_goes_on_filling_no_more():
    fill = ended(60.0, 60.0, *[0.0] * 5)
    mass_g, number = fill.log.minutes[-1].mass_g, round(fill.ended_s / 60)
    for later in (1, 2, 3):
        average = minute(number + later, mass_g - 15.0 * later)
        fill.watch(average)
    assert not fill.goes_on(average, full=False)


def test_a_measured_rack_that_takes_a_tenth_more_than_said_has_sprung_no_leak():
    """A hose that nobody described, and a tail that a tight tap makes even."""
    assert not filled(40.0, 30.0, 17.0, *[10.0] * 5).runs_on
