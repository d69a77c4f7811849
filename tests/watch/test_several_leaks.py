"""Several leaks at once: which of them there are, and what they are together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.several_leaks import apart, explained, total_leak
from soakmon.watch.verdict import Band
from tests.watch.nights import night
from tests.watch.test_leak_estimates import judged, with_leak


def leak(carb, best, *, dripped=0.0, low=None, **more):
    low = 0.9 * best if low is None else low
    return LocatedLeak(carb, 0.0, Band(best, low, 1.1 * best), False, dripped, **more)


def test_of_one_place_the_largest_is_told():
    small, large = leak(2, 1.0, dripped=1.0), leak(2, 3.0, dripped=2.0)
    assert explained([small, large]) == explained([large, small]) == [large]


def test_where_no_gate_sees_any_there_is_one():
    assert explained([leak(None, 1.0), leak(None, 2.0)]) == [leak(None, 2.0)]
    assert explained([]) == []


def test_a_leak_unseen_stays_only_when_the_seen_cannot_explain_the_loss():
    """It must be surely more than twice what the gates saw, and 0.3 g/h."""
    seen = leak(1, 1.0, dripped=1.0)
    beside = leak(None, 3.0, low=2.31)
    assert explained([seen, beside]) == [seen, beside]
    assert explained([seen, replace(beside, leak=Band(3.0, 2.3, 4.0))]) == [seen]
    # What a gate let pass by counts with what the bottle surely lost there.
    lossy = leak(1, 2.0, dripped=1.0, low=1.5)
    assert explained([lossy, beside]) == [lossy]


def test_together_they_are_what_each_is_over_the_soak():
    stopped = leak(1, 2.0, dripped=2.0, until_s=1800.0, fed_h=1.0)
    going = leak(2, 1.0, dripped=1.0)
    assert total_leak([stopped, going], None) == Band(2.0, 1.8, 2.2)
    unseen = [leak(None, 1.0), leak(None, 4.0)]
    assert total_leak(unseen, None) == unseen[1].leak


def test_of_two_leaks_each_is_less_sure_than_both():
    alone = leak(1, 1.0, dripped=1.0)
    assert apart([alone]) == [alone]
    unseen = leak(None, 1.0)
    assert apart([alone, unseen]) == [alone, unseen]
    small, large = apart([alone, leak(2, 9.0, dripped=9.0)])
    assert (small.leak.best, large.leak.best) == (1.0, 9.0)
    # Ten drops in a hundred may well be seven or fourteen; then ninety are hardly others.
    assert small.leak.low < 0.7
    assert small.leak.high > 1.5
    assert large.leak.high < 1.15 * large.leak.best


def test_two_leaks_that_drop_differently_are_within_what_is_told_of_them():
    """Lips twenty per cent apart, one up, one down: what each is told still holds."""
    for first in (0.5, 1.0, 4.0):
        true = [first * 1.2, 2.0 * 0.8]
        told = [sum(true) * first / (first + 2.0), sum(true) * 2.0 / (first + 2.0)]
        leaks = apart([leak(k + 1, g, dripped=g) for k, g in enumerate(told)])
        for g, located in zip(true, leaks, strict=True):
            assert located.leak.low <= g <= located.leak.high


@pytest.mark.parametrize(("unseen", "seen", "at_h"), [(2.0, 0.4, 16.0), (1.0, 0.15, 10.0)])
def test_a_drip_that_begins_hours_after_a_leak_unseen_is_another(unseen, seen, at_h):
    """The bottle was told to leak; a gate that counts a fifth of that later is not all of it."""
    rows = night(11, hours=24, leak_g_per_h=unseen, onset_h=1.0)
    verdict = judged(with_leak(rows, 3, seen, (at_h, 24)))
    by_carb = {one.carb: one for one in verdict.leaks}
    assert set(by_carb) == {None, 3}
    # It may as well lose drops as any gate does.
    assert by_carb[3].leak_g_per_h.best == pytest.approx(1.25 * seen, rel=0.25)
    assert by_carb[3].leak_g_per_h.low < seen < by_carb[3].leak_g_per_h.high
    assert by_carb[3].since_s[0] == pytest.approx(at_h * 3600, abs=3600)
    assert by_carb[None].leak_g_per_h.best == pytest.approx(unseen, rel=0.2)
    assert by_carb[None].since_s[0] < 4 * 3600
    together = seen * (24 - at_h) / 23 + unseen
    assert verdict.leak_g_per_h.low < together < verdict.leak_g_per_h.high


def test_one_that_drips_little_of_what_it_loses_from_the_start_is_one():
    """Most of it runs past the gate: nothing was lost before its first drop."""
    rows = with_leak(night(12, hours=16), 3, 1.5, (2.0, 24), seen=0.5)
    (leak,) = judged(rows).leaks
    assert leak.carb == 3
    assert leak.leak_g_per_h.best == pytest.approx(1.5, rel=0.3)


@pytest.mark.parametrize("at_h", [3.0, 10.0])
def test_what_a_flood_took_is_not_lost_where_another_gate_drips(at_h):
    """Seven grams run out where no gate sees it, in minutes; another carb drips all night."""
    rows = night(13, hours=20, leak_g_per_h=0.05, carb=2)
    rows = replace(rows, mass_g=rows.mass_g - 90 * np.clip(rows.t_s / 3600 - at_h, 0, 7 / 90))
    by_carb = {one.carb: one.leak_g_per_h for one in judged(rows).leaks}
    assert set(by_carb) == {None, 2}
    assert by_carb[2].best == pytest.approx(0.06, rel=0.4)
    assert by_carb[2].high < 0.3
