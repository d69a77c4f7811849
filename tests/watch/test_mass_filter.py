"""The bank of filters against the density of a whole night at once, and what it is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from soakmon.watch.cell_states import (
    CELLS,
    CREEP,
    CREEP_60,
    HELD,
    OFFSET,
    RATE,
    SIZE,
    SLACK,
    TEMP,
    TOP_UP,
    WANDER,
    WARM_UP,
    ZEROS,
)
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.spread import PARTS, Slices

SHORT_G, SHORT_SD_G = 0.3, 0.1
ONSETS, STEP_H, NOISE_G = 3, 0.25, 0.03
ONSETS_H = np.array([0.0, 1.0, 2.5])
ONE_SLICE = Slices(np.ones(1), np.array([[0.05, -0.1]]), np.array([[[0.04, 0.01], [0.01, 0.09]]]))
TWO_SLICES = Slices(
    np.array([0.7, 0.3]),
    np.array([[0.0, 0.0], [0.5, -0.2]]),
    np.array([[[0.01, 0.0], [0.0, 0.04]], [[0.09, 0.02], [0.02, 0.04]]]),
)
LEAKS_G_PER_H = np.array([0.02, 0.1, 0.4])
# Of the reading: all that a cell has without the temperature, and a needle's slack.
ROW = np.zeros(SIZE)
ROW[[OFFSET, WANDER, WARM_UP, CREEP, CREEP_60]] = 1.0
ROW[SLACK] = -1.0


def filters(slices: Slices = ONE_SLICE, *, onsets: int = ONSETS) -> MassFilter:
    return MassFilter(slices, 0.1, onsets, short_g=(SHORT_G, SHORT_SD_G), unsteady_rel_sd=0.1)


@dataclass(frozen=True)
class Night:
    """Readings (n,) g at hours (n,), and what a unit of each factor and leak adds to them."""

    hours: np.ndarray
    readings_g: np.ndarray
    inputs: np.ndarray

    def seen_by(self, bank: MassFilter) -> MassFilter:
        for reading_g, inputs in zip(self.readings_g.tolist(), self.inputs, strict=True):
            bank.predict(STEP_H)
            bank.update(ROW, reading_g, NOISE_G, inputs)
        return bank

    def log_density(self, bank: MassFilter, kind: int, slices: Slices, leak: np.ndarray) -> float:
        """Of the night under one kind of the fresh bank's cells, all its readings at once."""
        cov, start = np.diag(np.full(len(self.hours), NOISE_G**2)), bank.cov[kind]
        fades = bank.fades_per_h[kind].copy()
        fades[SLACK] = 0.025
        ages = np.abs(self.hours[:, None] - self.hours)
        both = self.hours[:, None] + self.hours
        for state in np.flatnonzero(ROW):
            swing = bank.swings_g2[kind, state]
            kept = np.exp(-fades[state] * both)
            cov += start[state, state] * kept
            if state in {SLACK, RATE}:
                cov += swing * (np.exp(-fades[state] * ages) - kept)
        cov += bank.drift_g2_per_h[kind] * walked(self.hours)
        mean = -SHORT_G * (1 - np.exp(-fades[SLACK] * self.hours))
        parts = self.inputs[:, :PARTS]
        densities = [
            math.log(weight)
            + multivariate_normal.logpdf(
                self.readings_g,
                mean + parts @ departs + self.inputs[:, PARTS:] @ leak,
                cov + parts @ spread @ parts.T,
            )
            for weight, departs, spread in zip(slices.weight, slices.mean, slices.cov, strict=True)
        ]
        return float(np.logaddexp.reduce(densities))


def walked(hours: np.ndarray) -> np.ndarray:
    """Covariance of a walk's means over steps that end at these hours, for 1 g²/h."""
    begins = np.minimum(hours[:, None], hours) - STEP_H
    apart = np.full(begins.shape, STEP_H / 2)
    np.fill_diagonal(apart, STEP_H / 3)
    return begins + apart


def a_night(seed: int, *, hours: float = 4.0, leak_g_per_h: float = 0.0) -> Night:
    rng = np.random.default_rng(seed)
    at_h = np.arange(1, round(hours / STEP_H) + 1) * STEP_H
    exposed = np.maximum(at_h[:, None] - ONSETS_H, 0.0)
    inputs = -np.column_stack((0.06 * at_h, 0.05 * at_h, exposed))
    readings = rng.normal(0, 1) + rng.normal(0, 0.05, len(at_h)).cumsum() - leak_g_per_h * at_h
    return Night(at_h, readings, inputs)


# Kinds that do not wander: what wanders and walks at once within a step is an approximation.
STILL = np.array([k for k in range(len(CELLS) * len(ZEROS)) if CELLS[k // len(ZEROS)][2] == 0.0])


@pytest.mark.parametrize("slices", [ONE_SLICE, TWO_SLICES])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_ratio_of_a_leak_is_that_of_the_whole_night_at_once(slices, seed):
    night, fresh = a_night(seed, leak_g_per_h=0.05 * seed), filters(slices)
    fresh.keep(STILL)
    prior = fresh.log_weight.copy()
    ratio = night.seen_by(filters_of(STILL, slices)).log_ratio(LEAKS_G_PER_H, kinks=False)

    def exact(leak: np.ndarray) -> float:
        kinds = [
            prior[kind] + night.log_density(fresh, kind, slices, leak) for kind in range(len(STILL))
        ]
        return float(np.logaddexp.reduce(kinds))

    none = exact(np.zeros(ONSETS))
    for onset in range(ONSETS):
        for place, leak_g_per_h in enumerate(LEAKS_G_PER_H.tolist()):
            leak = np.where(np.arange(ONSETS) == onset, leak_g_per_h, 0.0)
            whole = exact(leak) - none
            if whole > -8.0:
                assert ratio[onset, place] == pytest.approx(whole, abs=2e-5)
            else:
                # Filters 16 e-folds behind are left out, so what is as unlikely is only told to be.
                assert ratio[onset, place] == pytest.approx(whole, rel=0.01)


def filters_of(kinds: np.ndarray, slices: Slices = ONE_SLICE) -> MassFilter:
    bank = filters(slices)
    bank.keep(kinds)
    return bank


def test_kinds_of_cell_are_weighed_by_how_well_they_predicted():
    night, fresh = a_night(3), filters_of(STILL)
    weights = night.seen_by(filters_of(STILL)).judged().weights
    exact = np.array(
        [
            fresh.log_weight[kind] + night.log_density(fresh, kind, ONE_SLICE, np.zeros(ONSETS))
            for kind in range(len(STILL))
        ]
    )
    exact = np.exp(exact - exact.max())
    assert weights == pytest.approx(exact / exact.sum(), rel=1e-5)


def test_the_first_innovation_is_as_wide_as_was_said():
    bank = filters_of(STILL[:1])
    residual, sd = bank.surprise(ROW, 2.0, 0.04, np.zeros(PARTS + ONSETS))
    assert residual == pytest.approx(2.0)
    assert sd == pytest.approx(math.sqrt(30.0**2 + 0.05**2 + 0.1**2 + 0.15**2 + 0.2**2 + 0.04**2))


def test_readings_without_walk_average():
    """A constant under white noise: 1 / (1 / 30² + n / σ²)."""
    bank = filters_of(STILL[:1])
    bank.drift_g2_per_h[:] = 0.0
    row = np.eye(SIZE)[OFFSET]
    readings = np.random.default_rng(1).normal(5.0, 0.1, 50)
    for reading_g in readings.tolist():
        bank.predict(0.1)
        bank.update(row, reading_g, 0.1, np.zeros(PARTS + ONSETS))
    assert bank.cov[0, OFFSET, OFFSET] == pytest.approx(1 / (1 / 900 + 50 / 0.01))
    assert bank.mean[0, OFFSET] == pytest.approx(readings.mean(), abs=1e-5)


def test_onsets_that_lie_ahead_say_nothing():
    ratio = a_night(1, hours=1.0).seen_by(filters()).log_ratio(LEAKS_G_PER_H)
    assert np.all(ratio[1:] == 0.0)
    assert np.all(ratio[0] != 0.0)
    assert np.all(filters().log_ratio(LEAKS_G_PER_H) == 0.0)


def test_only_some_onsets_are_asked_for():
    bank = a_night(1).seen_by(filters())
    every = bank.log_ratio(LEAKS_G_PER_H)
    assert bank.log_ratio(LEAKS_G_PER_H, slice(1, 3)) == pytest.approx(every[1:3], abs=1e-6)
    early = a_night(1, hours=2.0).seen_by(filters()).log_ratio(LEAKS_G_PER_H, slice(1, 3))
    assert np.all(early[0] != 0.0)
    assert np.all(early[1] == 0.0)


def test_a_tight_bench_may_change_its_pace_but_not_at_the_start():
    """By 0.6 g in the hours since: no leak that has lost less than that is told by a late onset."""
    bank = a_night(1).seen_by(filters())
    free, held = bank.judged(kinks=False), bank.judged()
    assert held.information[:, 0] == pytest.approx(free.information[:, 0])
    for onset, hours in ((1, 3.0), (2, 1.5)):
        # Variances of the rate add: what the readings leave open, and the change of pace.
        sd = held.information[:, onset] ** -0.5
        assert sd**2 == pytest.approx(1 / free.information[:, onset] + (0.6 / hours) ** 2)


def test_tempered_readings_say_so_much_less_of_a_leak():
    plain, tempered = (a_night(1).seen_by(filters()) for _ in range(2))
    tempered.temper = 2.0
    one, half = plain.judged(kinks=False), tempered.judged(kinks=False)
    assert half.score == pytest.approx(one.score / 2)
    assert half.information == pytest.approx(one.information / 2)
    assert half.weights == pytest.approx(one.weights)


def test_each_filter_tells_its_own_leak():
    weight, mean, sd = a_night(1, leak_g_per_h=0.5).seen_by(filters()).leak_by_filter(0)
    assert weight.sum() == pytest.approx(1.0)
    assert float(weight @ mean) == pytest.approx(0.5, abs=3 * float(weight @ sd))


def test_what_no_leak_can_make_count_again_goes_and_is_not_missed():
    whole, pruned = (a_night(2, hours=8.0).seen_by(filters()) for _ in range(2))
    pruned.prune()
    assert 0 < len(pruned.log_weight) <= len(whole.log_weight)
    assert pruned.log_ratio(LEAKS_G_PER_H) == pytest.approx(
        whole.log_ratio(LEAKS_G_PER_H), abs=1e-4
    )


def test_a_filter_far_behind_goes():
    bank = a_night(2).seen_by(filters())
    bank.log_weight[3] = bank.log_weight.max() - 200.0
    drifts = np.delete(bank.drift_g2_per_h, 3)
    bank.prune()
    assert bank.drift_g2_per_h == pytest.approx(drifts)


def test_a_coarse_cell_drifts_and_swings_as_much_more():
    fine, coarse = filters(), filters()
    coarse.coarsen(5.0)
    assert coarse.drift_g_per_root_h == pytest.approx(5 * fine.drift_g_per_root_h)
    assert coarse.strays_g(2.0) == pytest.approx(5 * fine.strays_g(2.0))
    assert coarse.zero_g_per_c[1] == pytest.approx(5 * fine.zero_g_per_c[1])
    for state, times in ((CREEP, 25.0), (SLACK, 1.0), (RATE, 1.0), (TOP_UP, 1.0)):
        ratio = coarse.cov[:, state, state] / fine.cov[:, state, state]
        assert ratio == pytest.approx(np.full(len(ratio), times))


def test_a_fresh_bank_believes_what_cells_are_like():
    bank = filters()
    drift, _, wander, _, chance = np.array(CELLS).T
    assert bank.drift_g_per_root_h == pytest.approx(math.sqrt(chance @ drift**2))
    assert bank.strays_g(4.0) == pytest.approx(math.sqrt(chance @ (4 * drift**2 + wander**2)))
    mean, sd = bank.zero_g_per_c
    assert mean == 0.0
    # 0.1 g/°C, of which six in ten are as usual and four 3.5 times as much.
    assert sd == pytest.approx(0.1 * math.sqrt(0.6 + 0.4 * 3.5**2))
    assert bank.top_up == (pytest.approx(1.0), pytest.approx(2.5 * 0.1))
    assert np.all(bank.mean[:, HELD] == 0.9)


def test_a_sip_leaves_the_slack_anywhere_in_its_range_and_no_leak_in_it():
    bank = a_night(1).seen_by(filters())
    bank.sip()
    assert np.all(bank.mean[:, SLACK] == SHORT_G)
    assert np.all(bank.cov[:, SLACK, SLACK] == SHORT_SD_G**2)
    others = np.delete(bank.cov[:, SLACK], SLACK, axis=1)
    assert not others.any()
    assert not bank.effect[:, SLACK].any()


def test_a_new_load_creeps_and_warms_up_anew():
    bank = filters()
    before = bank.cov.copy()
    bank.reopen(0.4, 0.3)
    added = bank.cov - before
    for state, g in ((CREEP, 0.4), (CREEP_60, 0.2), (WARM_UP, 0.3)):
        assert added[:, state, state] == pytest.approx(np.full(len(added), g**2))
        added[:, state, state] = 0.0
    assert not added.any()


@settings(max_examples=25, deadline=None)
@given(first_h=st.floats(0.0, 3.0), second_h=st.floats(0.0, 3.0), evaporates_g=st.floats(0.0, 0.5))
def test_time_passes_in_one_go_as_in_two(first_h, second_h, evaporates_g):
    """But for the rate, which takes the mass along while it comes back."""
    one, two = filters(), filters()
    one.predict(first_h + second_h)
    two.predict(first_h)
    two.predict(second_h)
    assert two.cov == pytest.approx(one.cov, rel=1e-9, abs=1e-12)
    assert two.mean == pytest.approx(one.mean, rel=1e-9, abs=1e-12)
    one.predict(0.0, evaporates_g)
    assert one.cov[:, OFFSET, OFFSET] == pytest.approx(
        two.cov[:, OFFSET, OFFSET] + evaporates_g**2 * two.cov[:, RATE, RATE]
    )


def test_bowls_forget_what_they_were_short_of_as_they_draw():
    bank = filters()
    bank.predict(0.0, drawn=math.log(2))
    assert bank.mean[:, SLACK] == pytest.approx(np.full(len(bank.mean), SHORT_G / 2))
    assert bank.cov[:, TEMP, TEMP] == pytest.approx(filters().cov[:, TEMP, TEMP])
