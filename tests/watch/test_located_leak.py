"""A leak that stopped is told by what it let out, one that goes on by its rate."""

from __future__ import annotations

import pytest

from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.verdict import Band

TEN_HOURS = LocatedLeak(2, 3600.0, Band(3.0, 2.0, 5.0), False, fed_h=10.0, since_s=(0.0, 3600.0))


def test_one_that_goes_on_is_its_rate():
    assert TEN_HOURS.over_soak == TEN_HOURS.leak
    assert TEN_HOURS.lost_g is None
    told = TEN_HOURS.in_verdict()
    assert (told.carb, told.leak_g_per_h, told.until_s) == (2, Band(3.0, 2.0, 5.0), None)


@pytest.mark.parametrize(("until_h", "share"), [(3.5, 0.25), (6.0, 0.5), (99.0, 1.0)])
def test_one_that_stopped_is_a_mean_over_the_soak_and_grams(until_h, share):
    stopped = LocatedLeak(
        2, 3600.0, Band(3.0, 2.0, 5.0), False, until_s=3600.0 * until_h, fed_h=10.0
    )
    over = stopped.over_soak
    assert (over.best, over.low, over.high) == pytest.approx((3 * share, 2 * share, 5 * share))
    assert stopped.lost_g == pytest.approx(3.0 * (until_h - 1.0))
    assert stopped.in_verdict().lost_g == stopped.lost_g
