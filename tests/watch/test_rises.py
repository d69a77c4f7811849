"""Steps up that go back, and sips that are none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.decide import decide
from soakmon.watch.rises import Rises
from soakmon.watch.verdict import Outcome
from tests.watch.nights import BENCH, night


def test_a_step_goes_back_once_by_as_much_and_within_hours():
    rises = Rises()
    assert not rises.gone_back(0.0, 0.3)
    rises.add(0.0, 0.3)
    rises.add(60.0, 0.9)
    assert not rises.gone_back(600.0, 0.5)
    assert rises.gone_back(600.0, 0.35)
    assert not rises.gone_back(660.0, 0.3)
    assert not rises.gone_back(4 * 3600.0, 0.9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_platform_that_sticks_and_slips_loses_nothing(seed):
    """Up by 0.3 g and down again after minutes, thirty times in a night."""
    rng = np.random.default_rng(seed)
    rows = night(seed)
    made = np.zeros(len(rows))
    for begins_s in np.arange(3600, 23 * 3600, 2700) + rng.uniform(0, 1200, 30):
        size = rng.uniform(0.25, 0.4)
        made[(rows.t_s > begins_s) & (rows.t_s < begins_s + rng.uniform(300, 1200))] += size
    verdict = decide(replace(rows, mass_g=rows.mass_g + made), BENCH, phase="soaking").verdict
    assert verdict.outcome is not Outcome.LEAKING
    assert verdict.observed_loss_g == pytest.approx(rows.mass_g[0] - rows.mass_g[-1], abs=0.8)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_leak_by_sips_beside_somebody_who_pushed_the_bottle_is_found(seed):
    rows = night(seed)
    sips = 0.3 * np.floor(rows.t_s / 2700.0)
    pushed = 0.8 * (rows.t_s > 7 * 3600)
    made = replace(rows, mass_g=rows.mass_g - sips + pushed)
    verdict = decide(made, BENCH, phase="soaking").verdict
    assert verdict.outcome is Outcome.LEAKING
    assert verdict.leak_g_per_h.low <= 0.4 <= verdict.leak_g_per_h.high


def test_what_is_up_may_fall_by_half_as_much_again_until_it_has():
    rises = Rises()
    assert rises.may_fall_g(0.0) == 0.0
    rises.add(100.0, 6.0)
    rises.add(200.0, 2.0)
    assert rises.may_fall_g(300.0) == pytest.approx(9.0)
    assert rises.gone_back(400.0, 6.0)
    assert rises.may_fall_g(500.0) == pytest.approx(3.0)
    assert rises.may_fall_g(200.0 + 3 * 3600 + 1) == 0.0
