"""The running predictive check, and beliefs about the evaporation as the filter takes them."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.fit import Fit
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.spread import slices_of, spread_of
from soakmon.watch.weep import Weep


def checked(sigmas: np.ndarray) -> float:
    fit = Fit()
    for value in sigmas.tolist():
        fit.add(value)
    return fit.excess


def test_innovations_as_wide_as_was_said_are_no_misfit():
    rng = np.random.default_rng(1)
    assert np.mean([checked(rng.normal(0, 1, 1440)) > 1.3 for _ in range(200)]) < 0.05


def test_a_pull_for_an_hour_now_and_then_is_a_misfit_though_no_minute_shows_it():
    rng = np.random.default_rng(2)
    hourly = np.repeat(rng.normal(0, 0.4, 24), 60)
    assert checked(rng.normal(0, 1, 1440) + hourly) > 2.5


def test_a_leak_that_goes_on_evenly_is_none():
    rng = np.random.default_rng(3)
    begins = np.where(np.arange(1440) > 500, -0.3, 0.0)
    assert checked(rng.normal(0, 1, 1440) + begins) < 1.3


def test_a_benchs_whole_spread_is_in_the_slices():
    settings = Settings()
    factors, slices = spread_of(settings).factors, slices_of(settings)
    mean = slices.weight @ slices.mean
    assert mean == pytest.approx(factors.mean(axis=0) - 1, abs=1e-6)
    within = np.einsum("k,kpp->p", slices.weight, slices.cov)
    between = slices.weight @ (slices.mean - mean) ** 2
    assert np.sqrt(within + between) == pytest.approx(factors.std(axis=0), rel=0.03)


def test_nothing_in_the_slices_takes_fuel_in():
    slices = slices_of(Settings())
    sd = np.sqrt(np.einsum("kpp->kp", slices.cov))
    assert np.all(1 + slices.mean > 2.9 * sd)


def test_a_described_bench_is_known_better_than_one_that_nobody_told_of():
    known = spread_of(Settings(BenchGeometry(), priors=DESCRIBED)).factors
    unknown = spread_of(Settings()).factors
    assert np.all(np.log(known).std(axis=0) < 0.5 * np.log(unknown).std(axis=0))


def test_a_cell_that_was_without_power_is_trusted_less_for_a_while():
    settings = Settings()
    weep, evaporation = Weep(settings, 0.0, 0, 300.0), Evaporation(settings)
    evaporation.step(60.0, 20.0, np.nan, 1.0)
    weep.advance(60.0, 1.0, evaporation)
    asked = (weep.row(evaporation), 0.0, 0.01, weep.inputs(evaporation))
    for _ in range(50):
        weep.filter.update(*asked)
    before = weep.filter.surprise(*asked)[1]
    weep.filter.reopen(0.2, 0.3)
    after = weep.filter.surprise(*asked)[1]
    for minute in range(2, 240):
        evaporation.step(60.0, 20.0, np.nan, 1.0)
        weep.advance(60.0 * minute, 1.0, evaporation)
    later = float(weep.filter.cov[0, 3, 3])
    assert after > np.hypot(before, 0.3)
    assert later < 0.01**2
