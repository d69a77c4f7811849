"""Losses between two times of a run, by made minutes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.mass_log import MassLog


def log_of(masses_g: list[float], *, removed_g: float = 0.0) -> MassLog:
    log = MassLog()
    for minute, mass_g in enumerate(masses_g):
        log.add(60.0 * minute, mass_g, removed_g)
    return log


def falling(g_per_min: float, minutes: int = 240) -> list[float]:
    return [500.0 - g_per_min * minute for minute in range(minutes)]


def test_a_steady_loss_is_what_flowed_between():
    """Both medians lie two minutes inside, so four minutes of the loss are not seen."""
    log = log_of(falling(0.5))
    assert log.loss_g(3600.0, 7200.0) == pytest.approx(0.5 * (60 + 2 - 2))


def test_steps_that_were_no_fuel_are_taken_out():
    log = log_of([500.0] * 60)
    for minute in range(60, 120):
        log.add(60.0 * minute, 700.0, 200.0)
    assert log.loss_g(1800.0, 6000.0) == pytest.approx(0.0)


def test_a_hand_on_the_bottle_is_no_loss():
    masses = [500.0] * 240
    masses[118:120] = [430.0, 430.0]
    assert log_of(masses).loss_g(3600.0, 7200.0) == pytest.approx(0.0)


@pytest.mark.parametrize(("gap_min", "known"), [(29, True), (31, False)])
def test_nothing_is_said_where_nothing_was_weighed_for_half_an_hour(gap_min, known):
    log = log_of(falling(0.5, 120))
    assert math.isfinite(log.loss_g(3600.0, 60.0 * (119 + gap_min))) == known


def test_a_log_without_masses_or_between_no_times_says_nothing():
    assert math.isnan(MassLog().loss_g(0.0, 60.0))
    assert math.isnan(log_of([math.nan] * 5).loss_g(0.0, 60.0))
    assert math.isnan(log_of(falling(0.5)).loss_g(3600.0, 3600.0))


def flood(grams: float, ends_min: int, after_min: int) -> MassLog:
    return log_of(
        np.concatenate(
            (np.linspace(500.0, 500.0 - grams, ends_min), np.full(after_min, 500.0 - grams))
        ).tolist()
    )


def test_a_flood_that_has_stood_for_a_quarter_of_an_hour_has_ended():
    log = flood(100.0, 30, 40)
    ended_s = log.flow_ended_s(0.0, 60.0 * 69)
    # All but 3 % and half a gram of it is out.
    assert ended_s == pytest.approx(60.0 * 29 * 0.965, abs=90.0)


def test_a_flood_that_ended_just_now_may_go_on():
    assert flood(100.0, 30, 10).flow_ended_s(0.0, 60.0 * 39) is None


def test_a_flood_that_goes_on_has_no_end():
    assert log_of(falling(2.0, 100)).flow_ended_s(0.0, 60.0 * 99) is None


def test_what_flows_evenly_for_a_day_has_no_end_either():
    assert log_of(falling(2.0, 1440)).flow_ended_s(0.0, 60.0 * 1439) is None


def test_what_evaporates_after_it_is_not_the_flood():
    """20 g in half an hour, then a gram an hour for a day."""
    masses = np.concatenate((np.linspace(500, 480, 30), 480 - np.arange(1440) / 60))
    log = log_of(masses.tolist())
    ended_s = log.flow_ended_s(0.0, 60.0 * 1469, evaporates_g_per_h=1.0)
    assert ended_s == pytest.approx(60.0 * 29, abs=120.0)


def test_of_a_short_time_the_minutes_in_it_tell():
    """8 g are gone a minute after the feed was shut, and the record ends."""
    log = log_of([500.0] * 60 + [494.0, 492.0])
    assert log.loss_g(60.0 * 59.5, 60.0 * 64) == pytest.approx(7.0)
    assert log.loss_g(60.0 * 59.5, 60.0 * 70) == pytest.approx(8.0)


def test_of_few_readings_no_end_is_told():
    assert flood(100.0, 5, 4).flow_ended_s(0.0, 540.0) is None


@given(
    begin=st.integers(0, 200),
    minutes=st.integers(12, 200),
    pace=st.floats(0.0, 5.0),
)
def test_a_loss_is_never_more_than_flowed(begin, minutes, pace):
    log = log_of(falling(pace, 420))
    loss_g = log.loss_g(60.0 * begin, 60.0 * (begin + minutes))
    assert -1e-9 <= loss_g <= pace * (minutes + 1) + 1e-9


def gapped(g_per_min: float, flows_min: int, gap: range, minutes: int = 200) -> MassLog:
    """It flows from a minute on; in some minutes nothing is read."""
    log = MassLog()
    for minute in range(minutes):
        if minute not in gap:
            log.add(60.0 * minute, 500.0 - g_per_min * max(minute - flows_min, 0), 0.0)
    return log


def test_what_flowed_in_a_gap_before_it_is_not_what_flows_after_it():
    """It has flowed for six minutes when the readings come back."""
    log = gapped(10.0, 94, range(80, 100))
    for told_min in (100, 101, 102):
        lost_g = log.loss_g(60.0 * told_min, 60.0 * 130)
        assert lost_g == pytest.approx(10.0 * (130 - told_min), abs=20.0)


def test_what_flowed_into_a_gap_after_it_goes_on_evenly():
    log = gapped(2.0, 90, range(120, 170))
    assert log.loss_g(60.0 * 100, 60.0 * 160) == pytest.approx(2.0 * 60, abs=6.0)


def test_rows_far_apart_are_no_gaps():
    log = MassLog()
    for row in range(40):
        log.add(600.0 * row, 500.0 - row, 0.0)
    assert log.loss_g(6000.0, 12_000.0) == pytest.approx(10.0)


def test_of_a_time_since_which_nothing_was_read_nothing_is_said():
    """The cell fell silent ten minutes before the flood was told."""
    log = log_of([500.0] * 60)
    assert math.isnan(log.loss_g(60.0 * 70, 60.0 * 75))
    assert log.loss_g(60.0 * 58, 60.0 * 75) == pytest.approx(0.0)
