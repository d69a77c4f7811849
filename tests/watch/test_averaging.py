"""Minutes of readings to robust averages: where they are cut, and what is left out."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.averaging import Averager, join
from soakmon.watch.rows import Rows


def rows(mass_g, *, every_s=10.0, first_s=0.0, **columns) -> Rows:
    mass_g = np.asarray(mass_g, dtype=float)
    t_s = first_s + every_s * np.arange(len(mass_g))
    full = {"air_c": np.full(len(mass_g), 20.0), "drops": np.zeros((len(mass_g), 2))} | columns
    return Rows(t_s, mass_g, **full)


def minute(mass_g, **columns):
    """The one average of a minute that these readings fill."""
    averager = Averager()
    assert averager.push(rows(mass_g, first_s=60.0 - 10.0 * (len(mass_g) - 1), **columns)) == []
    (average,) = averager.flush()
    return average


def test_a_step_is_a_minute_and_the_reading_at_zero_is_of_the_first():
    averages = Averager().push(rows(np.arange(20.0)))
    assert [average.t_s for average in averages] == [60.0, 120.0, 180.0]
    assert averages[0].readings == 7  # 0, 10 … 60 s
    assert averages[1].readings == 6
    assert averages[1].mass_g == pytest.approx(9.5)


def test_however_many_rows_come_at_once_the_averages_are_the_same():
    rng = np.random.default_rng(1)
    night = rows(rng.normal(300.0, 0.01, 100))
    whole = Averager().push(night)
    by_parts = Averager()
    parts = [by_parts.push(night.part(start, start + 7)) for start in range(0, 100, 7)]
    assert repr([one for part in parts for one in part]) == repr(whole)


def test_six_robust_sd_are_left_out_and_five_are_not():
    # Off the median by 0.01 g in the middle of all: a robust sd of 0.0148 g.
    calm = [300.0, 300.01, 299.99, 300.01, 299.99, 300.01]
    assert minute([*calm, 300.0 + 0.08]).readings == 7
    assert minute([*calm, 300.0 + 0.1]).readings == 6


def test_where_most_are_the_same_a_gram_is_left_out():
    same = [300.0] * 6
    assert minute([*same, 300.9]).mass_g == pytest.approx(300.0 + 0.9 / 7)
    assert minute([*same, 301.1]).mass_g == 300.0


def test_of_fewer_than_five_readings_it_is_the_median_without_a_noise():
    few = minute([300.0, 300.0, 300.4, 309.0])
    assert few.mass_g == pytest.approx(300.2)
    assert np.isnan(few.noise_g)
    five = minute([300.0, 300.0, 300.0, 300.0, 300.5])
    assert five.mass_g == pytest.approx(300.1)
    assert five.noise_g == pytest.approx(np.sqrt(0.2) / 5)


def test_what_is_missing_is_nan_and_a_feed_that_nobody_recorded_was_open():
    nothing = minute([np.nan] * 3, air_c=np.array([np.nan, 20.0, 22.0]))
    assert np.isnan(nothing.mass_g)
    assert nothing.readings == 0
    assert nothing.air_c == 21.0
    assert np.isnan(nothing.fuel_c)
    assert nothing.feed_open == 1.0
    shut = minute([300.0] * 4, feed_open=np.array([1.0, 0.0, 0.0, np.nan]))
    assert shut.feed_open == pytest.approx(1 / 3)


def test_drops_are_summed_and_a_reading_that_repeats_itself_is_frozen():
    drops = np.array([[1.0, 0.0], [np.nan, 2.0], [1.0, 0.0]])
    average = minute([300.0, 300.0, 300.0], drops=drops)
    assert average.drops.tolist() == [2.0, 2.0]
    assert average.frozen
    assert not minute([300.0, 300.0, 300.001]).frozen
    assert not minute([300.0, np.nan, np.nan]).frozen


def test_stretches_are_joined_with_what_all_of_them_know():
    one = rows([1.0, 2.0], feed_open=np.ones(2), block_ms=np.ones((2, 2)))
    other = rows([3.0], first_s=20.0)
    both = join([one, other])
    assert both.mass_g.tolist() == [1.0, 2.0, 3.0]
    assert both.feed_open is None
    assert np.isnan(both.block_ms).tolist() == [[False] * 2, [False] * 2, [True] * 2]
