"""The curve of a soak: loss and band point by point, and what is read off it."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.curve import CurveKeeper, _noise_g
from tests.watch.nights import BENCH

NOTHING = np.zeros(1)


class Cell:
    """A cell that strays by a gram in either direction."""

    def strays(self, hours, warmer_c, off_g2, drawn_g):
        self.off_g2 = off_g2
        return -np.ones(len(hours)), np.ones(len(hours))


def keeper(loss_g, *, lost_g=0.1, top_up_g=0.0, removed_g=0.0, air_c=20.0):
    """A curve of a point a minute, with these losses in g; the expectation grows by lost_g each."""
    made = CurveKeeper(BENCH)
    parts = SimpleNamespace(
        air_c=air_c, air_20_c=air_c, air_60_c=air_c, air_180_c=air_c, bottle_hose_g=0.0,
        bowls_g=0.0, top_up_g=0.0, bowl_needs_g=0.0,
    )  # fmt: skip
    made.start(300.0, 0.0, Cell(), parts)
    for minute, loss in enumerate(loss_g, start=1):
        parts.bottle_hose_g, parts.bowls_g = 0.5 * lost_g * minute, 0.5 * lost_g * minute
        parts.top_up_g, parts.bowl_needs_g = top_up_g * minute, 0.01 * minute
        mass_g = 300.0 + removed_g - loss
        average = Average(60.0 * minute, mass_g, 0.01, 6, air_c, math.nan, 1.0, NOTHING, False)
        made.add(average, removed_g, parts)
    return made


def test_the_loss_is_what_the_bottle_lost_less_what_was_put_on_it():
    curve = keeper([1.0, 2.0, 3.0], removed_g=20.0).curve()
    assert curve.t_s.tolist() == [0.0, 60.0, 120.0, 180.0]
    assert curve.mass_loss_g == pytest.approx([0.0, 1.0, 2.0, 3.0])
    assert curve.air_c.tolist() == [20.0] * 4


def test_the_band_is_about_what_evaporates_and_a_known_share_of_the_top_up():
    made = keeper([1.0] * 10, lost_g=0.2, top_up_g=0.05)
    without = made.curve()
    assert without.low_g[-1] < without.best_g[-1] < without.high_g[-1]
    assert without.best_g[-1] == pytest.approx(2.0, rel=0.1)
    assert without.feed_g[-1] == without.bowls_g[-1] == pytest.approx(1.0)
    made.top_up = (0.6, 0.1)
    with_it = made.curve()
    assert with_it.top_up_g[-1] == pytest.approx(0.6 * 0.5)
    assert with_it.best_g[-1] == pytest.approx(without.best_g[-1] + 0.3)
    wider = math.hypot(without.high_g[-1] - without.best_g[-1], 1.96 * 0.1 * 0.5)
    assert with_it.high_g[-1] - with_it.best_g[-1] == pytest.approx(wider, rel=1e-3)
    made.top_up = (1.4, 0.0)  # no more than all of it, and no less than nothing
    assert made.curve().top_up_g[-1] == pytest.approx(0.5)
    made.top_up = (-0.4, 0.0)
    assert made.curve().top_up_g[-1] == 0.0


def test_readings_stray_from_the_band_by_what_the_cell_strays():
    made = keeper([1.0] * 10)
    curve = made.curve()
    over = math.hypot(curve.high_g[-1] - curve.best_g[-1], 1.0)
    assert curve.reads_high_g[-1] == pytest.approx(curve.best_g[-1] + over)
    assert curve.reads_low_g[-1] < curve.low_g[-1] - 0.5


def test_what_was_put_on_the_bottle_creeps_afterwards():
    made = keeper([0.0] * 10, removed_g=30.0)
    made.curve()
    assert made.cell.off_g2[0] == 0.0
    assert np.sqrt(made.cell.off_g2[-1]) == pytest.approx(0.1 + 30 / 3000, rel=0.05)


def test_expected_with_and_without_the_top_up():
    made = keeper([1.0] * 10, lost_g=0.2, top_up_g=0.05)
    made.top_up = (1.0, 0.0)
    assert made.expected().best == pytest.approx(made.evaporated().best + 0.5)
    assert made.expected().best == pytest.approx(made.curve().best_g[-1])
    empty = CurveKeeper(BENCH)
    assert empty.expected().high == empty.evaporated().high == 0.0
    assert len(empty.curve().t_s) == 0


def test_the_loss_at_the_end_is_the_median_of_the_last_five_of_half_an_hour():
    assert keeper([9.0, 9.0, 1.0, 2.0, 3.0, 4.0, 50.0]).observed_g() == pytest.approx(3.0)
    gap = [math.nan] * 28
    assert keeper([9.0, *gap, 4.0]).observed_g() == pytest.approx(6.5)
    assert keeper([9.0, *gap, math.nan, 4.0]).observed_g() == pytest.approx(4.0)
    assert CurveKeeper(BENCH).observed_g() is None


@pytest.mark.parametrize("silent", [1, 100])
def test_a_cell_that_falls_silent_takes_nothing_back(silent):
    weighed = [1.0, 2.0, 3.0, 4.0, 5.0]
    made, silent_end = keeper(weighed), keeper([*weighed, *[math.nan] * silent])
    assert silent_end.observed_g() == made.observed_g()
    assert silent_end.expected() == made.expected()
    assert silent_end.evaporated() == made.evaporated()
    assert silent_end.since(60.0) == made.since(60.0)
    assert silent_end.weighed_s == made.weighed_s


def test_what_went_since_a_time():
    made = keeper([1.0 * minute for minute in range(1, 21)], lost_g=0.2, top_up_g=0.05)
    lost_g, feed_g, bowls_g, top_up_g = made.since(600.0)
    assert lost_g == pytest.approx(18.0 - 12.0)
    assert (feed_g, bowls_g, top_up_g) == pytest.approx((1.0, 1.0, 0.5))
    assert made.since(1e9) is None
    assert made.bowl_needs()[1][-1] == pytest.approx(0.2)


def test_a_start_that_was_out_moves_all_but_the_start():
    made = keeper([1.0, 2.0])
    made.rezero(0.5)
    assert made.curve().mass_loss_g == pytest.approx([0.0, 0.5, 1.5])


def test_noise_is_told_from_neighbours():
    noise_g = np.random.default_rng(1).normal(0.0, 0.05, 2000)
    assert _noise_g(noise_g) == pytest.approx(0.05, rel=0.06)
    assert _noise_g(np.array([0.0, 1.0, 0.0, 1.0])) == 0.0
