"""Drops that keep time: the likelihoods are densities, and rhythm is worth what it should be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from soakmon.watch.renewal import Renewal, Rhythm

RATES = np.array([0.5, 1.0, 2.0]) / 3600
DARK = 1e-9


def heard(times_s: list[float], rhythm: Rhythm, dark: float = DARK) -> Renewal:
    renewal = Renewal(RATES, dark, rhythm)
    for t_s in times_s:
        renewal.add(t_s, dense=False)
    return renewal


@pytest.mark.parametrize("shape", [1, 8, 40])
def test_one_interval_is_an_erlang_one_or_any(shape):
    gap = 3000.0
    erlang = stats.gamma.pdf(gap, shape, scale=1 / (shape * RATES))
    any_length = stats.expon.pdf(gap, scale=1 / RATES)
    expected = np.log(0.9 * erlang + 0.1 * any_length)
    assert heard([0.0, gap], Rhythm(shape, 0)).total == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("shape", [1, 8, 40])
def test_waiting_is_a_survival(shape):
    wait = 5000.0
    erlang = stats.gamma.sf(wait, shape, scale=1 / (shape * RATES))
    longer = 0.9 * erlang + 0.1 * stats.expon.sf(wait, scale=1 / RATES)
    # Or the leak has stopped.
    expected = np.log(longer + 0.01)
    assert heard([0.0], Rhythm(shape, 0)).until(wait) == pytest.approx(expected, abs=1e-3)


def test_the_chance_of_a_next_count_and_of_none_is_one():
    renewal = heard([0.0, 3500.0], Rhythm(40, 3), dark=1e-5)
    until = 3500.0 + 4 * 3600
    steps = np.linspace(3501.0, until, 4000)
    densities = []
    for t_s in steps:
        again = heard([0.0, 3500.0, float(t_s)], Rhythm(40, 3), dark=1e-5)
        densities.append(np.exp(again.until(float(t_s)) - renewal.until(3500.0)))
    some = np.trapezoid(np.array(densities), steps, axis=0)
    none = np.exp(renewal.until(until) - renewal.until(3500.0))
    assert np.all(np.abs(some + none - 1) < 0.03)


def test_a_rate_that_wanders_is_followed():
    """Intervals that grow from 45 to 75 minutes over a night, as a bowl cools."""
    times = np.cumsum(np.linspace(2700, 4500, 25)).tolist()
    held = heard(times, Rhythm(40, 0)).total.max()
    wandering = heard(times, Rhythm(40, 3)).total.max()
    assert wandering > held + 2


def test_a_dark_count_does_not_break_the_rhythm():
    drops = [3600.0 * n for n in range(10)]
    alone = heard(drops, Rhythm(40, 3), dark=1e-5).total[1]
    among = heard(sorted([*drops, 16_000.0]), Rhythm(40, 3), dark=1e-5).total[1]
    assert among - alone == pytest.approx(math.log(1e-5), abs=1.0)


def test_keeping_time_is_worth_most_where_time_is_kept():
    rng = np.random.default_rng(3)
    close = np.cumsum(3600 * rng.normal(1, 0.08, 12)).tolist()
    rough = np.cumsum(3600 * rng.gamma(8, 1 / 8, 12)).tolist()
    assert heard(close, Rhythm(40, 3)).total[1] > heard(close, Rhythm(8, 0)).total[1] + 4
    assert heard(rough, Rhythm(8, 0)).total[1] > heard(rough, Rhythm(40, 3)).total[1]
