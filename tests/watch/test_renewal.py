"""Drops that keep time: the likelihoods are densities, and rhythm is worth what it should be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from soakmon.watch.renewal import Renewals
from soakmon.watch.rhythm import Rhythm
from soakmon.watch.rows import Floats

# Chance that a leak stops with a drop, and how often per s it then begins again.
STOPS, AGAIN_PER_S = 0.01, 1 / 28800
RATES = np.array([0.5, 1.0, 2.0]) / 3600
DARK = 1e-9


class Heard:
    """What one rhythm makes of counts, by rate (R,)."""

    def __init__(self, times_s: list[float], rhythm: Rhythm, dark: float = DARK) -> None:
        self.renewals = Renewals(RATES, (rhythm,))
        for t_s in times_s:
            self.renewals.add(t_s, math.log(dark))

    @property
    def total(self) -> Floats:
        return self.renewals.total[0]

    def until(self, t_s: float) -> Floats:
        return self.renewals.until(t_s)[0]


@pytest.mark.parametrize("shape", [1, 8, 40])
def test_one_interval_is_an_erlang_one_or_any(shape):
    gap = 3000.0
    erlang = stats.gamma.pdf(gap, shape, scale=1 / (shape * RATES))
    any_length = stats.expon.pdf(gap, scale=1 / RATES)
    again = STOPS * AGAIN_PER_S * np.exp(-AGAIN_PER_S * gap)
    expected = np.log((1 - STOPS) * (0.92 * erlang + 0.08 * any_length) + again)
    assert Heard([0.0, gap], Rhythm(shape, 0)).total == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("shape", [3, 8, 40])
def test_an_interval_may_be_several_where_drops_are_lost(shape):
    gap, lost = 3500.0, 0.35
    chances = (1 - lost) * lost ** np.arange(5)
    chances /= chances.sum()
    erlang = sum(
        chance * stats.gamma.pdf(gap, (k + 1) * shape, scale=1 / (shape * RATES))
        for k, chance in enumerate(chances)
    )
    again = STOPS * AGAIN_PER_S * np.exp(-AGAIN_PER_S * gap)
    going_on = 0.92 * erlang + 0.08 * stats.expon.pdf(gap, scale=1 / RATES)
    expected = np.log((1 - STOPS) * going_on + again)
    assert Heard([0.0, gap], Rhythm(shape, 0, lost)).total == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("shape", [1, 8, 40])
def test_waiting_is_a_survival(shape):
    wait = 5000.0
    erlang = stats.gamma.sf(wait, shape, scale=1 / (shape * RATES))
    longer = 0.92 * erlang + 0.08 * stats.expon.sf(wait, scale=1 / RATES)
    # Or the leak has stopped.
    expected = np.log((1 - STOPS) * longer + STOPS * np.exp(-AGAIN_PER_S * wait))
    assert Heard([0.0], Rhythm(shape, 0)).until(wait) == pytest.approx(expected, abs=1e-3)


def test_the_chance_of_a_next_count_and_of_none_is_one():
    renewal = Heard([0.0, 3500.0], Rhythm(40, 3))
    until = 3500.0 + 4 * 3600
    steps = np.linspace(3501.0, until, 4000)
    densities = []
    for t_s in steps:
        again = Heard([0.0, 3500.0, float(t_s)], Rhythm(40, 3))
        # No stray counts before it or after: that is said by whoever asks.
        densities.append(np.exp(again.until(float(t_s)) - renewal.until(3500.0)))
    some = np.trapezoid(np.array(densities), steps, axis=0)
    none = np.exp(renewal.until(until) - renewal.until(3500.0))
    assert np.all(np.abs(some + none - 1) < 0.03)


def test_a_rate_that_wanders_is_followed():
    """Intervals that grow from 45 to 75 minutes over a night, as a bowl cools."""
    times = np.cumsum(np.linspace(2700, 4500, 25)).tolist()
    held = Heard(times, Rhythm(40, 0)).total.max()
    wandering = Heard(times, Rhythm(40, 3)).total.max()
    assert wandering > held + 2


def test_a_dark_count_does_not_break_the_rhythm():
    drops = [3600.0 * n for n in range(10)]
    alone = Heard(drops, Rhythm(40, 3), dark=1e-5).total[1]
    among = Heard(sorted([*drops, 16_000.0]), Rhythm(40, 3), dark=1e-5).total[1]
    assert among - alone == pytest.approx(math.log(1e-5), abs=1.0)


def test_keeping_time_is_worth_most_where_time_is_kept():
    rng = np.random.default_rng(3)
    close = np.cumsum(3600 * rng.normal(1, 0.08, 12)).tolist()
    rough = np.cumsum(3600 * rng.gamma(8, 1 / 8, 12)).tolist()
    assert Heard(close, Rhythm(40, 3)).total[1] > Heard(close, Rhythm(8, 0)).total[1] + 4
    assert Heard(rough, Rhythm(8, 0)).total[1] > Heard(rough, Rhythm(40, 3)).total[1]


def test_lost_drops_are_worth_more_where_they_are_expected():
    rng = np.random.default_rng(5)
    times = np.cumsum(3600 * rng.normal(1, 0.08, 60))
    seen = times[rng.random(60) > 0.35].tolist()
    expects = Heard(seen, Rhythm(40, 3, 0.35)).total[1]
    assert expects > Heard(seen, Rhythm(40, 3, 0.02)).total[1] + 8
    assert expects > Heard(seen, Rhythm(1, 0)).total.max() + 15


def test_a_leak_may_stop_and_begin_again():
    drops = [*(600.0 * np.arange(12)), *(90_000 + 600.0 * np.arange(12))]
    pause = Heard(drops, Rhythm(40, 3), dark=1e-6).total.max()
    whole = Heard([600.0 * n for n in range(24)], Rhythm(40, 3), dark=1e-6).total.max()
    assert whole - 25 < pause < whole


def test_a_count_that_was_dark_like_a_drop_is_worth_more():
    plain, likely = (Renewals(RATES, (Rhythm(40, 3),)) for _ in range(2))
    for t_s in (0.0, 3600.0, 7200.0):
        plain.add(t_s, -12.0)
        likely.add(t_s, -12.0, log_drop=0.7)
    assert likely.total[0, 1] == pytest.approx(plain.total[0, 1] + 3 * 0.7, abs=0.1)


def test_rhythms_side_by_side_say_what_each_says_alone():
    rhythms = (Rhythm(40, 3, 0.02), Rhythm(40, 2, 0.35), Rhythm(8, 0, 0.3), Rhythm(1, 0))
    rng = np.random.default_rng(8)
    times_s = np.cumsum(rng.gamma(4, 900, 30)).tolist()
    together = Renewals(RATES, rhythms)
    for t_s in times_s:
        together.add(t_s, math.log(1e-5))
    alone = [Heard(times_s, rhythm, dark=1e-5) for rhythm in rhythms]
    until_s = times_s[-1] + 5000.0
    assert together.total == pytest.approx(np.array([each.total for each in alone]), rel=1e-12)
    assert together.until(until_s) == pytest.approx(
        np.array([each.until(until_s) for each in alone]), rel=1e-12
    )


@pytest.mark.parametrize("stray", [1e-6, 1e-3, 5e-3])
def test_what_rows_hide_is_drops_at_random_among_stray_counts(stray):
    """So many of either, and none of them in the time between: no more than a Poisson process."""
    rng = np.random.default_rng(2)
    rates = np.array([60.0, 90.0, 120.0]) / 3600
    times_s = np.cumsum(rng.exponential(40.0, 300))
    renewals = Renewals(rates, (Rhythm(40, 0, 0.02), Rhythm(1, 0)))
    for t_s in times_s.tolist():
        renewals.add(t_s, math.log(stray), spacing_s=120.0)
    either = 299 * np.log(rates + stray) - rates * (times_s[-1] - times_s[0])
    # Three may be stray at once, and a leak may stop: all that is a few parts in a hundred.
    assert np.all(renewals.total < either + 1.0)
    # A fourth stray one would be too many.
    assert np.all(renewals.total > either - 299 * (0.02 + (stray / (stray + rates)) ** 3))
