"""How large a leak is, where it does not go on as the mass filter supposes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.balance import gathered, log_weight_since
from soakmon.watch.conclude import conclude
from soakmon.watch.decide import decide, watched
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome
from tests.watch.nights import BENCH, DROP_G, night


def unsteady(seed: int, mean_g_per_h: float, carb: int | None, *, lost: float = 0.0) -> Rows:
    """A night with a leak that jumps every few hours between a third and twice its mean."""
    rng = np.random.default_rng(seed)
    rows = night(seed)
    pieces = np.repeat(rng.uniform(0.3, 1.7, 8), len(rows) // 8)
    rates = mean_g_per_h * pieces / pieces.mean()
    leaked = np.cumsum(rates) * 5.0 / 3600
    drops = rows.drops.copy()
    if carb is not None:
        fell = np.diff(np.floor(leaked / DROP_G), prepend=0.0)
        drops[:, carb - 1] = np.where(rng.random(len(fell)) < lost, 0.0, fell)
    return replace(rows, mass_g=rows.mass_g - leaked, drops=drops)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("rate", "carb", "lost"), [(0.5, None, 0.0), (0.5, 2, 0.3), (1.0, 3, 0.0)])
def test_a_leak_that_jumps_is_as_large_as_what_it_took(seed, rate, carb, lost):
    verdict = decide(unsteady(seed, rate, carb, lost=lost), BENCH, phase="soaking").verdict
    assert verdict.leak_g_per_h.low <= rate <= verdict.leak_g_per_h.high
    assert verdict.leak_g_per_h.high < 1.7 * rate


def test_a_steady_leak_is_no_less_known_for_it():
    rows = night(4, leak_g_per_h=0.5, onset_h=3.0)
    leak = decide(rows, BENCH, phase="soaking").verdict.leak_g_per_h
    assert leak.best == pytest.approx(0.5, rel=0.15)
    assert leak.high - leak.low < 0.4


@pytest.mark.parametrize("seed", [1, 2])
def test_what_a_tight_rack_would_have_lost_is_no_leak_whatever_its_shape(seed):
    """The reading climbs for six hours and comes down again: only the shape speaks for a leak."""
    rows = night(seed, evaporation=0.6)
    hours = rows.t_s / 3600
    climbs = np.interp(hours, [0.0, 6.0, 24.0], [0.0, 2.5, 0.5])
    made = watched(replace(rows, mass_g=rows.mass_g + climbs), Settings(), phase="soaking")
    verdict = conclude(made)
    assert verdict.observed_loss_g < verdict.expected_evaporation_g.best
    assert verdict.outcome is not Outcome.LEAKING


def by_sips(seed: int, g_per_h: float, onset_h: float) -> Rows:
    """A night with a leak that begins late and that needles let through by a third of a gram."""
    rows = night(seed)
    leaked = np.floor(np.maximum(rows.t_s / 3600 - onset_h, 0.0) * g_per_h / 0.33) * 0.33
    return replace(rows, mass_g=rows.mass_g - leaked)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("g_per_day", [4.0, 8.0])
def test_what_the_bottle_lost_bounds_a_leak_of_any_shape(seed, g_per_day):
    made = watched(by_sips(seed, g_per_day / 24, 2.0), Settings(), phase="soaking")
    verdict = conclude(made)
    assert verdict.outcome is not Outcome.TIGHT
    assert 24 * verdict.leak_g_per_h.high > 0.9 * g_per_day


def test_a_leak_that_speeds_up_had_begun_before_it_was_told():
    rows = night(5, hours=12)
    leaked = 0.02 * (rows.t_s / 3600) ** 3
    drops = rows.drops.copy()
    drops[:, 1] = np.diff(np.floor(leaked / DROP_G), prepend=0.0)
    verdict = decide(
        replace(rows, mass_g=rows.mass_g - leaked, drops=drops), BENCH, phase="soaking"
    ).verdict
    (leak,), alarm = verdict.leaks, verdict.alarms[0]
    assert leak.since_s[0] <= leak.since_s[1] <= alarm.t_s


def test_a_rack_that_cools_draws_no_more_than_its_bowls_shrink():
    """However much of the top-up the filter, which knows no leak, would have to make of it."""
    made = watched(night(2, hours=6), BENCH, phase="soaking")
    assert made.weep is not None
    made.curve.top_up = (1.0, 0.1)
    whole = log_weight_since(made, made.weep, 0)
    made.curve.top_up = (5.0, 0.1)
    assert log_weight_since(made, made.weep, 0) == pytest.approx(whole)


@pytest.mark.parametrize("seed", range(5))
def test_benches_that_are_taken_together_weigh_what_each_of_them_does(seed):
    rng = np.random.default_rng(seed)
    values = rng.lognormal(0.0, 1.0, 2000) * 3 - 5
    weight = rng.uniform(0, 1, 2000) * (rng.uniform(size=2000) < 0.9)
    fewer, whole = gathered(values, weight, 1 / 16)
    assert len(fewer) < 600
    assert whole.sum() == pytest.approx(weight.sum())
    at = np.linspace(-8.0, 15.0, 400)

    def said(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
        return np.log(weight @ np.exp(-0.5 * (values[:, None] - at) ** 2))

    assert said(fewer, whole) == pytest.approx(said(values, weight), abs=0.01)
