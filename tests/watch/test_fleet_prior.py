"""What other benches teach, on benches made up for it, and that it never makes a leak normal."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import simpson
from scipy.stats import norm

from soakmon.watch.decide import decide
from soakmon.watch.fleet_prior import FleetPrior, thinned
from soakmon.watch.past import Past, PastSoak
from soakmon.watch.settings import DESCRIBED, Priors, Settings, described
from soakmon.watch.spread import spread_of
from soakmon.watch.verdict import Outcome
from tests.watch.nights import night

BEFORE = replace(Priors(), bowls_scale=1.0)
EXPECTED_G = 8.0
FAR_G = 1e4


def soak(ratio: float, most_g: float = FAR_G) -> PastSoak:
    lost_g = EXPECTED_G * ratio
    return PastSoak(lost_g, EXPECTED_G / 2, EXPECTED_G / 2, max(most_g - lost_g, 0.0))


def hall(
    seed: int, middle: float, apart: float, benches: int, soaks: int, *, most_g: float = FAR_G
) -> list[list[PastSoak]]:
    """Tight soaks of so many benches; what lost more than most_g is not on record."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(benches):
        bench = math.log(middle) + rng.normal(0, apart)
        ratios = np.exp(bench + rng.normal(0, 0.1, soaks))
        tight = [soak(one, most_g) for one in ratios.tolist() if EXPECTED_G * one < most_g]
        found.append(tight)
    return [soaks_of for soaks_of in found if soaks_of]


def told(benches: list[list[PastSoak]], before: Priors = BEFORE) -> FleetPrior:
    return before.taught_by_others(benches)


def test_two_benches_teach_nothing():
    assert told(hall(1, 0.7, 0.1, 2, 10)) == FleetPrior()
    assert told([]).text == ""


def test_a_kind_is_learnt():
    fleet = told(hall(1, 0.7, 0.15, 49, 5))
    assert fleet.benches == 49
    assert fleet.soaks == 245
    assert fleet.ratio == pytest.approx(0.7, rel=0.08)
    assert fleet.spread == pytest.approx(math.hypot(0.15, 0.12), rel=0.25)
    assert "49 other benches" in fleet.text
    assert fleet.kept(np.array([0.5, 2.0])) == pytest.approx([1.0, 0.0], abs=0.01)


def test_few_benches_say_less_than_many():
    few, many = (told(hall(3, 0.7, 0.15, count, 5)) for count in (3, 49))
    at = np.array([1.2, 1.5, 2.0])
    assert np.all(few.kept(at) > many.kept(at))


def test_unlike_benches_say_next_to_nothing():
    fleet = told(hall(5, 1.0, 0.6, 49, 5))
    assert fleet.kept(np.array([1.0, 1.5])).min() > 0.5


def test_what_was_never_found_tight_is_missed_but_not_forgotten():
    """Of benches in the middle at 1.2 only what lost less than 9.6 g is on record: half of it."""
    middles = [told(hall(seed, 1.2, 0.15, 40, 4, most_g=9.6)).ratio for seed in range(8)]
    plain = [
        float(np.mean([one.lost_g / EXPECTED_G for bench in benches for one in bench]))
        for benches in (hall(seed, 1.2, 0.15, 40, 4, most_g=9.6) for seed in range(8))
    ]
    assert np.mean(plain) < 1.08
    assert np.mean(middles) > np.mean(plain) + 0.03


def test_however_many_soaks_a_bench_has_it_is_one_bench():
    others = hall(2, 0.8, 0.1, 10, 5)
    loud, quiet = ([soak(1.6)] * count for count in (30, 3))
    alone = told(others).ratio
    assert abs(told([*others, loud]).ratio - alone) < 1.1 * abs(
        told([*others, quiet]).ratio - alone
    )
    assert abs(math.log(told([*others, loud]).ratio / alone)) < 2 * math.log(2.0) / 11


def test_against_integrals_of_a_library():
    """Soaks that leave nothing open: then a bench's ratio is known, and the model is two-level."""
    doubt, before = BEFORE.doubt, math.hypot(*(0.5 * sd for sd in BEFORE.rel_sds))
    seen = np.log([0.6, 0.75, 0.8, 0.9, 0.7])
    fleet = told([[soak(float(math.exp(one)))] * 30 for one in seen])
    means, apart = np.linspace(-1.5, 1.5, 301), np.geomspace(0.05, 1.5, 121)
    m, t = np.meshgrid(means, apart, indexing="ij")
    chance = norm.logpdf(m, 0, 0.7 * before) + norm.logpdf(np.log(t / (0.7 * before)), 0, 0.6)
    for one in seen:
        # Thirty nights leave a bench open by 0.1/√30, and their own spread by 0.12.
        wide = np.hypot(t, 0.02)
        usual, wrong = norm.pdf(one, m, wide), norm.pdf(one, m, np.hypot(wide, 0.7))
        chance += np.log((1 - doubt) * usual + doubt * wrong)
    weight = np.exp(chance - chance.max())

    def mean(of: np.ndarray) -> float:
        whole = simpson(simpson(weight, x=np.log(apart), axis=1), x=means)
        return float(simpson(simpson(weight * of, x=np.log(apart), axis=1), x=means) / whole)

    middle = mean(m)
    assert math.log(fleet.ratio) == pytest.approx(middle, abs=0.01)
    sd = math.sqrt(mean((m - middle) ** 2 + t**2 + 0.12**2))
    assert fleet.spread == pytest.approx(sd, rel=0.05)


def test_who_has_measured_or_soaked_enough_is_taught_nothing():
    benches = hall(1, 0.7, 0.15, 49, 5)
    assert told(benches, described(1.3)) == FleetPrior()
    assert told(benches, replace(BEFORE, past=Past(3, 1.1, 0.5, 0.3))) == FleetPrior()


RATIOS = st.lists(st.floats(0.2, 4.0), min_size=1, max_size=6)
SPARE_G = st.floats(0.0, 20.0)


@given(st.lists(st.tuples(RATIOS, SPARE_G), min_size=3, max_size=8), st.sampled_from([0, 1]))
@settings(max_examples=40, deadline=None)
def test_whatever_the_others_lost_they_speak_on_one_side_only(benches, which):
    """The bound: a loss is never put down to evaporation sooner than without the others."""
    before = (BEFORE, DESCRIBED)[which]
    made = [[soak(one, EXPECTED_G * one + spare) for one in ratios] for ratios, spare in benches]
    fleet = told(made, before)
    if not fleet.keeps:
        return
    shares = np.array(fleet.keeps)[:, 1]
    assert np.all(np.diff(shares) <= 0)
    assert 0 <= shares.min() <= shares.max() <= 1
    rng = np.random.default_rng(4)
    wrong = rng.random(20_000) < before.doubt
    sd = np.where(wrong, 0.9, 0.4)
    ratios = np.sort(np.exp(sd * rng.standard_normal(20_000)))
    weights = thinned(ratios, wrong, fleet)
    after = np.cumsum(weights) / weights.sum()
    plain = np.arange(1, len(ratios) + 1) / len(ratios)
    # As sure as it was that no more evaporates than that, or surer: for every loss.
    assert np.all(after >= plain - 1e-9)
    # And of what may have evaporated at all (up to any loss), the lesser is no less likely: but
    # for what single draws of few among the least make of a falling chance.
    gain = (after / plain)[200:]
    assert np.all(np.diff(gain) < 2e-3)
    assert weights[wrong].sum() / weights.sum() >= wrong.mean() - 1e-9


def test_a_dead_bridge_is_as_suspect_as_before():
    fleet = told(hall(1, 0.5, 0.15, 49, 5))
    plain = Settings(priors=BEFORE)
    taught = Settings(priors=replace(BEFORE, fleet=fleet))
    assert spread_of(taught).least_feed == spread_of(plain).least_feed
    assert np.median(spread_of(taught).factors) < np.median(spread_of(plain).factors)


@pytest.mark.parametrize("leak_g_per_day", [1.0, 3.0])
def test_a_leak_that_all_benches_have_is_not_learnt_as_normal(leak_g_per_day):
    """All past soaks of the shop have lost 1 g/day more than evaporates, and were tight all the
    same: whatever the next one leaks, the bound is no lower for it, and none is tight for it.
    """
    plain = Settings(priors=replace(DESCRIBED, bottle_rel_sd=0.25))
    sure_g = 4.0
    leaky = [
        [PastSoak(sure_g * ratio + 1.0, sure_g / 2, sure_g / 2, 1.0) for _ in range(6)]
        for ratio in np.exp(np.random.default_rng(1).normal(0, 0.1, 49)).tolist()
    ]
    fleet = plain.priors.taught_by_others(leaky)
    assert fleet.ratio > 1.15
    taught = replace(plain, priors=replace(plain.priors, fleet=fleet))
    rows = night(11, leak_g_per_h=leak_g_per_day / 24, spacing_s=20.0)
    alone, among = decide(rows, plain).verdict, decide(rows, taught).verdict
    assert among.leak_g_per_h.high > 0.99 * alone.leak_g_per_h.high
    assert not (among.outcome is Outcome.TIGHT and alone.outcome is not Outcome.TIGHT)
    # The same shop may teach that sooner is a leak what is more than that.
    assert among.smallest_provable_leak_g_per_h <= 1.01 * alone.smallest_provable_leak_g_per_h


def test_a_bench_without_soaks_finds_smaller_leaks_among_others_of_its_kind():
    plain = Settings(priors=BEFORE)
    taught = replace(plain, priors=replace(BEFORE, fleet=told(hall(1, 0.8, 0.1, 49, 5))))
    rows = night(11, evaporation=0.8, spacing_s=20.0)
    alone, among = decide(rows, plain).verdict, decide(rows, taught).verdict
    assert alone.smallest_provable_leak_g_per_h is not None
    assert among.smallest_provable_leak_g_per_h < 0.8 * alone.smallest_provable_leak_g_per_h
    assert not among.alarms
