"""What gates counted and when, and what went with the feed shut."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.tally import Tally


def tally_of(*times_s, count=1, spacing_s=1.0):
    tally = Tally(1)
    for t_s in times_s:
        tally.add(0, t_s, count, spacing_s)
    return tally


def test_a_satellite_after_a_slow_drop_is_none():
    assert tally_of(100.0, 101.5).total == [1]
    assert tally_of(100.0, 101.6).total == [2]
    # A drop that is not alone throws none that could be told.
    assert tally_of(100.0, 104.9, 106.0).total == [3]
    assert tally_of(100.0, count=2).total == [1]
    assert tally_of(100.0, 105.0, count=2).total == [3]
    assert tally_of(100.0, 106.0, count=2).total == [2]
    assert tally_of(100.0, count=2, spacing_s=1.6).total == [2]


def test_times_of_older_drops_are_thinned_and_all_are_counted():
    tally = tally_of(*(10.0 * k for k in range(4200)))
    assert tally.total == [4200]
    assert len(tally.times[0]) < 4000
    assert sum(tally.counts[0]) == 4200
    assert tally.times[0] == sorted(tally.times[0])
    assert tally.since(0, 41_980.0) == 1
    assert tally.until(0, 41_980.0) == 4199


def test_a_burst_counts_for_half_as_many_again_as_the_middle_hours():
    # Three hours with 10, 10, 10 and 40 counts.
    quiet = [3 * 3600.0 * part + 600.0 * k for part in range(3) for k in range(10)]
    burst = [9 * 3600.0 + 10.0 * k for k in range(40)]
    tally = tally_of(*quiet, *burst)
    assert tally.steady(0, math.inf) == 10 + 10 + 10 + 15
    assert tally.steady(0, 9 * 3600.0 - 1) == 30
    assert tally.steady(0, -1.0) == 0.0


def in_parts(*counts):
    """Counts of three hours each, one after the other."""
    return tally_of(
        *(3 * 3600.0 * part + 10.0 * k for part, n in enumerate(counts) for k in range(n))
    )


def test_where_most_hours_have_next_to_none_those_count_in_which_the_middle_drop_fell():
    assert in_parts(3, 3, 30).steady(0, math.inf) == 3 + 3 + 4.5
    assert in_parts(1, 2, 3, 30).steady(0, math.inf) == 36


def test_the_quiet_before_the_fill_is_forgotten():
    tally = tally_of(100.0, 200.0, 300.0)
    tally.shut_h, tally.shut_s = 1.0, 5.0
    tally.restart(260.0)
    assert tally.times == [[300.0]]
    assert tally.total == [1]
    assert tally.shut_h == 0.0
    assert math.isnan(tally.shut_s)
    again = tally_of(100.0, 201.0)
    again.restart(260.0)
    assert again.times == [[201.0]]  # a minute before still belongs to it


def average(t_s, mass_g=300.0, feed_open=1.0, air_c=20.0):
    return Average(t_s, mass_g, 0.01, 6, air_c, math.nan, feed_open, np.zeros(1), False)


def test_what_goes_with_the_feed_shut_and_when_it_was_shut():
    tally = Tally(1)
    for step in (
        average(60.0), average(120.0, 299.0, 0.25), average(180.0, 298.0, 0.0),
        average(240.0, 297.5, 0.0), average(300.0, math.nan, 0.0), average(360.0, 296.0, 0.0),
    ):  # fmt: skip
        tally.step(step, 60.0)
    assert tally.shut_s == pytest.approx(75.0)
    assert tally.shut_until_s == 360.0
    assert tally.shut_h == pytest.approx(4.75 / 60)
    assert tally.shut_loss_g == pytest.approx(0.5)  # over a missing mass nothing is told
    assert tally.last_mass_g == 296.0


def test_time_without_a_temperature_is_counted_from_its_beginning():
    tally = Tally(1)
    for step in (average(60.0), average(120.0, air_c=math.nan), average(180.0, air_c=math.nan)):
        tally.step(step, 60.0)
    assert tally.no_air_s == 120.0
    assert tally.temperature_lost_s == 120.0
