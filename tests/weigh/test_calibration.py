"""Calibration: what is put into invented readings comes out again."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.weigh.calibration import Step, calibrate, daily_check
from soakmon.weigh.oiml import CellClass

CELL = CellClass(1000.0)
DAY = date(2026, 3, 1)
MASSES = (0.0, 100.0, 200.0, 500.0, 700.0, 1000.0)


def steps(gain=2000.0, zero=1234.0, *, bow_g=0.0, lag_g=0.0, scatter_g=(0.0, 0.0), u_g=0.0):
    """Up and down twice; bow: parabola, lag: the way down reads high, scatter: per round."""
    made = []
    for off_g in scatter_g:
        for up in (True, False):
            for m in MASSES:
                bow = bow_g * 4 * (m / 1000) * (1 - m / 1000)
                lag = 0.0 if up or m in {0.0, 1000.0} else lag_g
                made.append(Step(m, zero + gain * (m + bow + lag + off_g), up, u_g))
    return made


def judged(result, name):
    return next(one for one in result.judgements if one.name == name)


@given(
    st.floats(-5000, 5000).filter(lambda g: abs(g) > 1),
    st.floats(-1e6, 1e6),
)
def test_a_perfect_cell_gives_back_gain_and_zero(gain, zero):
    result = calibrate(steps(gain, zero), CELL, DAY)
    assert result.g_per_count.value == pytest.approx(1 / gain, rel=1e-9)
    assert result.zero_counts == pytest.approx(zero, rel=1e-6, abs=1e-4)
    assert max(map(abs, result.residuals_g)) < 1e-4
    assert result.passed


@given(st.floats(0.02, 3.0))
def test_hysteresis_is_found_in_full(lag_g):
    result = calibrate(steps(lag_g=lag_g), CELL, DAY)
    found = judged(result, "hysteresis")
    assert found.value_g == pytest.approx(lag_g, rel=3e-3)
    assert found.ok == (lag_g <= found.limit_g)


def test_a_bowed_cell_fails_linearity_only_beyond_the_limit():
    assert judged(calibrate(steps(bow_g=0.1), CELL, DAY), "linearity").ok
    bowed = calibrate(steps(bow_g=2.0), CELL, DAY)
    assert not judged(bowed, "linearity").ok
    assert not bowed.passed


def test_repeatability_is_the_largest_difference():
    result = calibrate(steps(scatter_g=(-0.05, 0.05)), CELL, DAY)
    assert judged(result, "repeatability").value_g == pytest.approx(0.1, rel=1e-6)
    assert result.repeat_sd_g == pytest.approx(0.1 / 2**0.5, rel=1e-6)


@given(st.floats(0.0, 0.5))
def test_uncertain_masses_make_an_uncertain_gain(u_g):
    result = calibrate(steps(u_g=u_g), CELL, DAY, resolution_counts=0.0)
    relative = result.g_per_count.u / result.g_per_count.value
    assert relative == pytest.approx(u_g / 1000, abs=1e-9)


@pytest.mark.parametrize(
    ("total_g", "late_g", "ok", "late_ok"),
    [(0.24, 0.05, True, True), (0.25, 0.05, False, True), (0.24, 0.06, True, False)],
)
def test_creep_against_its_two_limits(total_g, late_g, ok, late_ok):
    """1 kg C3: 0.2450 g over 30 min, 0.0525 g from 20 to 30 min."""
    points = [(0.0, 0.0), (20.0, 2000 * (total_g - late_g)), (30.0, 2000 * total_g)]
    result = calibrate(steps(), CELL, DAY, creep=points)
    assert judged(result, "creep over 30 min").ok == ok
    assert judged(result, "creep from 20 to 30 min").ok == late_ok


def test_what_comes_after_thirty_minutes_is_not_its_creep():
    points = [(0.0, 0.0), (20.0, 0.0), (30.0, 0.0), (60.0, 2000.0)]
    result = calibrate(steps(), CELL, DAY, creep=points)
    assert judged(result, "creep over 30 min").value_g == 0.0


@pytest.mark.parametrize(("returned_g", "ok"), [(0.166, True), (-0.166, True), (0.17, False)])
def test_return_to_dead_load(returned_g, ok):
    result = calibrate(steps(), CELL, DAY, returned_g=returned_g)
    assert judged(result, "return to dead load").ok == ok


def test_it_expires():
    result = calibrate(steps(), CELL, DAY, valid_days=30)
    assert result.in_force(DAY)
    assert result.in_force(DAY + timedelta(days=29))
    assert not result.in_force(DAY + timedelta(days=30))
    assert not result.in_force(DAY - timedelta(days=1))
    assert not calibrate(steps(bow_g=5.0), CELL, DAY).in_force(DAY)


@pytest.mark.parametrize(
    ("given_steps", "says"),
    [
        ([Step(0, 0), Step(10, 5)], "at least 3"),
        ([Step(0, 7), Step(10, 7), Step(20, 7)], "does not follow"),
        ([Step(0, 0), Step(10, 99), Step(20, 1)], "does not follow"),
        ([Step(0, 0), Step(10, 1), Step(2000, 200)], "capacity"),
        ([Step(0, 0), Step(10, float("nan")), Step(20, 2)], "numbers"),
    ],
)
def test_what_gives_no_line_is_refused(given_steps, says):
    with pytest.raises(ValueError, match=says):
        calibrate(given_steps, CELL, DAY)


@pytest.mark.parametrize(
    "creep", [[(0, 1)], [(0, 1), (10, 1), (20, 1)], [(0, 1), (30, 1), (20, 1)]]
)
def test_creep_over_less_than_its_time_is_refused(creep):
    with pytest.raises(ValueError, match="creep"):
        calibrate(steps(), CELL, DAY, creep=creep)


def test_daily_check():
    assert daily_check(500.2, 500.0, CELL).ok  # limit at 1500 v: 0.7 v = 0.2333 g
    assert not daily_check(500.3, 500.0, CELL).ok
    assert daily_check(500.3, 500.0, CELL, mass_u_g=0.05).ok
