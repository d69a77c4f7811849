"""Several leaks at once: which of them there are, and what they are together."""

from __future__ import annotations

from dataclasses import replace

from soakmon.watch.leak_estimates import LocatedLeak
from soakmon.watch.several_leaks import explained, total_leak
from soakmon.watch.verdict import Band


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
