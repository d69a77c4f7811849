"""What flows out of the bottle, by made minutes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.averaging import Average
from soakmon.watch.flow_log import FlowLog


def weighed(t_s: float, mass_g: float) -> Average:
    return Average(t_s, mass_g, 0.02, 60, 20.0, math.nan, 1.0, np.zeros(1), False)


def log_of(*masses_g: float, every_s: float = 60.0) -> FlowLog:
    log = FlowLog()
    for index, mass_g in enumerate(masses_g):
        log.add(weighed((index + 1) * every_s, mass_g))
    return log


def test_a_flow_is_grams_a_minute_whatever_the_step():
    assert log_of(500.0, 494.0).now_g_per_min == pytest.approx(6.0)
    assert log_of(500.0, 494.0, every_s=120.0).now_g_per_min == pytest.approx(3.0)
    assert log_of(500.0).now_g_per_min == 0.0


def test_one_reading_that_is_out_makes_no_flow():
    """A hand on the bottle: down by 50 g and up again."""
    log = log_of(500.0, 500.0, 450.0)
    assert log.now_g_per_min == pytest.approx(50.0)
    assert log.steady_g_per_min == 0.0
    assert log.down_to_g == 500.0
    assert log_of(500.0, 480.0, 450.0).steady_g_per_min == pytest.approx(20.0)


def test_a_log_without_minutes_flows_not():
    empty = FlowLog()
    assert len(empty) == 0
    assert empty.steady_g_per_min == 0.0
    assert math.isnan(empty.lately_g)


def test_means_and_middles_of_the_last_minutes():
    log = log_of(500.0, 499.0, 497.0, 400.0, 399.5)
    assert log.mean_g_per_min(2) == pytest.approx((97.0 + 0.5) / 2)
    assert log.middle_g_per_min(4) == pytest.approx(1.5)
    # Of five losses only four are known: the first reading has none before it.
    assert log.middle_g_per_min(5) == 0.0
    # Over two minutes each: 3, 99 and 97.5 g.
    assert log.middle_g_per_min(3, 2) == pytest.approx(97.5 / 2)
    assert log.middle_g_per_min(4, 2) == 0.0
    assert log.lately_g == 400.0


def test_what_dripped_and_how_losses_scatter():
    log = FlowLog()
    for minute, drops in enumerate((5.0, 1.0, 2.0)):
        average = weighed(60.0 * (minute + 1), 500.0 - minute)
        log.add(replace(average, drops=np.array([drops, 1.0])))
    assert log.dropped(2) == 5.0
    assert log.scatter_g_per_min == 0.0
    assert log_of(500.0, 499.0, 497.0, 496.0, 492.0).scatter_g_per_min == pytest.approx(1.4826)


def test_a_hand_on_the_bottle_for_a_minute_fills_nothing():
    assert log_of(500.0, 900.0, 498.0).highest_g() == 500.0
    assert log_of(500.0, 900.0).highest_g() == 900.0
    assert log_of(900.0, 500.0, 499.0, 498.0, 497.0).highest_g(3) == 498.0


def test_a_flow_began_in_the_minute_in_which_the_mass_was_last_above():
    log = log_of(500.0, 500.0, 490.0, 480.0)
    assert log.last_above_s(495.0) == 60.0
    assert log.last_above_s(1000.0) == 0.0


def fill(first_g_per_min: float, each: float, minutes: int = 20) -> FlowLog:
    paces = first_g_per_min * each ** np.arange(minutes)
    return log_of(*(500.0 - np.concatenate(([0.0], np.cumsum(paces)))).tolist())


def test_the_last_of_a_fill_dies_away_and_a_leak_does_not():
    assert fill(5.0, 0.9).dies_away
    assert not fill(5.0, 1.0).dies_away
    # Half as much after ten minutes as in the ten before, but next to nothing: evaporation.
    assert not fill(0.03, 0.93).dies_away
    # By 15 % from half to half: so much less is not told from the scatter of a steady leak.
    assert not fill(5.0, 0.9842).dies_away
    assert fill(5.0, 0.9832).dies_away


def test_a_decline_takes_ten_minutes_to_show():
    assert not fill(5.0, 0.8, minutes=8).dies_away
    assert fill(5.0, 0.8, minutes=9).dies_away


@given(masses=st.lists(st.floats(0.0, 900.0), min_size=1, max_size=60))
def test_twenty_minutes_are_looked_back_on(masses):
    log = log_of(*masses)
    assert len(log) == min(len(masses), 20)
    assert [one.mass_g for one in log.minutes] == masses[-20:]
    assert log.steady_g_per_min <= log.now_g_per_min
    assert log.highest_g() <= max(masses[-20:])


def test_a_mass_stands_when_it_has_for_so_long_and_something_was_before_that():
    log = FlowLog()
    stands = []
    for minute, mass_g in enumerate([300.0, 290.0, 280.0, *[275.0] * 6]):
        log.add(weighed(60.0 * minute, mass_g))
        stands.append(log.stands_for(4, 1.0))
    assert stands == [False] * 6 + [True] * 3
