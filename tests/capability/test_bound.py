"""The bound of what any decider could find, and the bands, on nights whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from soakmon.app.bound_nights import tight_night
from soakmon.capability.both_bounds import EDGES_H, TightNight, bounds_of, residual_g
from soakmon.capability.bound import least_sd_g_per_h
from soakmon.capability.certificate import certificate
from soakmon.capability.form import as_dict
from soakmon.capability.plan import Case, Way
from soakmon.capability.world_bound import world_bound
from tests.bounds import EDGES_H as FINE_H
from tests.bounds import made as made_for_bounds
from tests.capability.nights import QUIET, made, result


def test_the_bound_grows_with_noise_drift_and_evaporation():
    night = made(Case(0, 3, 0.0, Way.GATES))
    least = least_sd_g_per_h(night.rows, night.settings, QUIET, 60.0)
    for worse in ({"white_g": 4.0}, {"wander_g": 0.2}, {"feed_rel_sd": 0.5}, {"bowls_rel_sd": 0.5}):
        more = least_sd_g_per_h(night.rows, night.settings, replace(QUIET, **worse), 60.0)
        assert more > 1.02 * least
    # A walk alone would allow wander/√h over the day; the bound cannot be under it.
    assert least > 0.02 / math.sqrt(24) * 0.9


def test_both_bounds_are_told_side_by_side():
    """Nights whose covariance is known: white noise of 0.1 g in each two hours, nothing else."""
    rng = np.random.default_rng(8)
    hours = 2.0 * np.arange(1, 11)
    nights = [TightNight(rng.normal(0, 0.1, 10), model) for model in [0.3, 0.4] * 200]
    bounds = bounds_of(nights)
    exact = 24 * 0.1 / math.sqrt(float((hours**2).sum()))
    assert bounds.world_g_per_day == pytest.approx(exact, abs=3 * bounds.world_error_g_per_day)
    assert bounds.world_error_g_per_day == pytest.approx(exact * math.sqrt(0.5 / 390), rel=0.1)
    assert bounds.model_g_per_day == pytest.approx(math.sqrt((0.09 + 0.16) / 2))
    assert bounds_of(nights[:19]) is None
    told = as_dict([result(0.2, Way.GATES, found=True)], bounds)["bounds"]
    assert told["nights"] == 400
    assert told["world_g_per_day"] == pytest.approx(bounds.world_g_per_day, abs=1e-4)
    assert told["model_g_per_day"] == pytest.approx(0.3536, abs=1e-4)
    page = certificate([result(0.2, Way.GATES, found=True)], bounds, version="1", seed=6)
    assert "in the simulated world, 0.35 g/day in the filter&#x27;s own model (400 nights)" in page


def test_a_leak_shows_in_the_residual_by_its_signature():
    """0.01 g/h less in each hour: so much at each mark since the first."""
    t_s = 60.0 * np.arange(24 * 60)
    marks_g = residual_g(t_s, -0.01 * t_s / 3600)
    assert marks_g == pytest.approx(-0.01 * (EDGES_H[1:-1] - EDGES_H[0]), abs=1e-3)


def test_a_tight_night_for_both_bounds():
    """Its evaporation departs by tenths from the expectation; the model's bound is its own."""
    night = tight_night(3)
    assert len(night.residual_g) == len(EDGES_H) - 2
    assert 0 < np.abs(night.residual_g).max() < 1.5
    assert 0.1 < night.model_g_per_day < 0.6


def test_what_parts_have_in_common_widens_the_bound():
    """Parts that depart together are less easily told from a leak."""
    night = made(Case(0, 3, 0.0, Way.GATES))
    apart, together = (
        least_sd_g_per_h(night.rows, night.settings, replace(QUIET, correlation=c), 60.0)
        for c in (0.0, 0.6)
    )
    assert together > 1.05 * apart


def test_the_bound_of_a_world_whose_covariance_is_known():
    """White noise and a walk: against generalised least squares with the true covariance."""
    rng = np.random.default_rng(6)
    hours = np.arange(1.0, 24.0)
    walk, white = 0.02, 0.01
    true = walk**2 * np.minimum.outer(hours, hours) + white**2 * np.eye(len(hours))
    exact = 1 / math.sqrt(hours @ np.linalg.solve(true, hours))
    drawn = rng.multivariate_normal(np.zeros(len(hours)), true, 400)
    found = world_bound(drawn, -hours)
    assert found.sd == pytest.approx(exact, abs=3 * found.sd_error)
    assert found.sd_error < 0.05 * exact
    # 2.326 + 1.645 sd apart.
    assert found.smallest() == pytest.approx(3.971 * found.sd, rel=1e-3)
    with pytest.raises(ValueError, match="too few"):
        world_bound(drawn[:40], -hours)


def test_the_bound_of_a_world_does_not_lean():
    """Few nights make it less sure, not smaller: the mean over many draws is the true variance."""
    rng = np.random.default_rng(7)
    squares = [world_bound(rng.normal(0, 1, (40, 12)), np.ones(12)).sd ** 2 for _ in range(800)]
    assert float(np.mean(squares)) == pytest.approx(1 / 12, rel=0.05)


def test_a_night_for_the_bound_of_the_world():
    """Nothing of the fill is in it, and its evaporation departs by tenths from the expectation."""
    night = made_for_bounds(3, judge=False)
    assert len(night.residual_g) == len(FINE_H) - 2
    assert np.abs(night.residual_g).max() < 1.5
    assert all(0.5 < factor < 2.0 for factor in night.departs)
    assert night.error is None


def test_both_bands_are_counted_over_tight_nights():
    none = result(0.0, Way.GATES, found=False)
    held = replace(none, evaporated=[1.0, 0.5, 1.5], reads=[95, 100, 1])
    missed = replace(none, evaporated=[2.0, 0.5, 1.5], reads=[75, 100, 0])
    hard = replace(held, hard=True)
    leaks = replace(missed, leak_g_per_day=4.0)
    told = as_dict([held, held, missed, hard, leaks])
    assert told["evaporates"]["usual"] == {"nights": 3, "inside": 2, "lower95": 0.1353}
    assert told["evaporates"]["hard"]["inside"] == 1
    assert told["reads"]["usual"] == {"nights": 3, "inside": 0.8833, "last_inside": 2}
