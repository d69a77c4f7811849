"""How much each place leaks, where several do: by what dropped under each, and for how long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.decide import decide
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Verdict
from tests.watch.nights import DROP_G, night


def with_leak(
    rows: Rows, carb: int, g_per_h: float, hours: tuple[float, float] = (0, 24), *, seen: float = 1
) -> Rows:
    """The night with one more leak; seen: share of its drops that fall through its gate."""
    leaked = g_per_h * (np.clip(rows.t_s / 3600, *hours) - hours[0])
    drops = rows.drops.copy()
    drops[1:, carb - 1] += np.diff(np.floor(seen * leaked / DROP_G))
    return replace(rows, mass_g=rows.mass_g - leaked, drops=drops)


def judged(rows: Rows) -> Verdict:
    return decide(rows, Settings(priors=DESCRIBED), phase="soaking").verdict


def holds(verdict: Verdict, carb: int, g_per_h: float) -> None:
    """The leak at the carb is said to be so large, and the verdict's interval knows it."""
    (leak,) = (one for one in verdict.leaks if one.carb == carb)
    assert leak.leak_g_per_h.low < g_per_h < leak.leak_g_per_h.high
    assert leak.leak_g_per_h.best == pytest.approx(g_per_h, rel=0.2)


@pytest.mark.parametrize("seed", [1, 2])
def test_each_of_two_leaks_is_told_for_the_hours_in_which_it_leaked(seed):
    """The second began at half past the night: it is no larger or smaller for it."""
    rows = with_leak(night(seed, leak_g_per_h=0.8, carb=1, hours=20), 3, 1.2, (12, 24))
    verdict = judged(rows)
    holds(verdict, 1, 0.8)
    holds(verdict, 3, 1.2)
    # What leaks in the end is both together.
    assert verdict.leak_g_per_h.best == pytest.approx(2.0, rel=0.2)
    assert verdict.leak_g_per_h.low < 2.0 < verdict.leak_g_per_h.high


def test_two_leaks_from_the_start_divide_what_the_bottle_lost():
    verdict = judged(with_leak(night(3, leak_g_per_h=0.8, carb=1, hours=20), 3, 1.2))
    holds(verdict, 1, 0.8)
    holds(verdict, 3, 1.2)


def test_one_that_stopped_does_not_swell_the_one_that_goes_on():
    """6 g got out at carb 3 in four hours of the night."""
    verdict = judged(with_leak(night(4, leak_g_per_h=0.8, carb=1, hours=20), 3, 1.5, (4, 8)))
    holds(verdict, 1, 0.8)
    (stopped,) = (one for one in verdict.leaks if one.carb == 3)
    assert stopped.until_s == pytest.approx(8 * 3600, abs=600)
    assert stopped.lost_g == pytest.approx(6.0, rel=0.2)
    assert verdict.leak_g_per_h.best == pytest.approx(0.8 + 6 / 20, rel=0.2)


def test_what_the_gates_lose_of_both_is_given_to_each_by_its_drops():
    """Seven drops in ten are seen at either gate; the bottle tells of the rest."""
    rows = night(5, hours=20)
    rows = with_leak(rows, 2, 1.0, seen=0.7)
    verdict = judged(with_leak(rows, 4, 2.0, (10, 24), seen=0.7))
    holds(verdict, 2, 1.0)
    holds(verdict, 4, 2.0)
