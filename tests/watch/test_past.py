"""What past tight soaks teach, on benches made up for it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import truncnorm

from soakmon.watch.past import Past, PastSoak, learnt
from soakmon.watch.settings import DESCRIBED, Priors

BEFORE = replace(Priors(), bowls_scale=1.0)
EXPECTED_G = 4.0


def told(soaks: list[PastSoak], before: Priors = BEFORE) -> Past:
    return learnt(soaks, before.scales, before.rel_sds, before.doubt)


def nights(seed: int, ratio: float, spread: float, count: int, most_g: float) -> list[PastSoak]:
    """So many tight nights of a bench; what lost more than most_g was not found tight."""
    rng = np.random.default_rng(seed)
    found: list[PastSoak] = []
    while len(found) < count:
        lost_g = EXPECTED_G * ratio * math.exp(rng.normal(0, spread)) + rng.normal(0, 0.2)
        if lost_g < most_g:
            found.append(PastSoak(lost_g, EXPECTED_G / 2, EXPECTED_G / 2, most_g - lost_g))
    return found


def test_two_soaks_teach_nothing():
    assert told(nights(1, 1.2, 0.05, 2, 9.0)) == Past()
    assert told([]).text == ""


def test_a_bench_is_learnt():
    past = told(nights(1, 1.2, 0.05, 20, 9.0))
    assert past.soaks == 20
    assert past.scale == pytest.approx(1.2, abs=0.04)
    assert past.narrows < 0.8
    assert past.doubt == pytest.approx(1 / 21, rel=0.01)
    assert "20 tight soaks" in past.text
    assert " % more than the expected" in past.text


def test_the_more_nights_the_surer():
    few, many = (told(nights(4, 0.9, 0.04, count, 9.0)) for count in (3, 25))
    assert many.narrows < few.narrows
    assert many.doubt < few.doubt
    assert abs(math.log(many.scale / 0.9)) < 0.03


def test_what_was_never_found_tight_is_missed_but_not_forgotten():
    """Of a bench that loses 20 % more, nights beyond 5 g are not tight: the others are not all."""
    scales, plain = [], []
    for seed in range(20):
        tight = nights(seed, 1.2, 0.1, 20, 5.0)
        scales.append(math.log(told(tight, DESCRIBED).scale))
        plain.append(np.mean([math.log(one.lost_g / EXPECTED_G) for one in tight]))
    assert np.mean(plain) < math.log(1.2) - 0.035
    assert abs(np.mean(scales) - math.log(1.2)) < 0.04


def test_nights_that_lost_too_much_keep_the_doubt():
    tight = nights(1, 1.0, 0.05, 10, 9.0)
    off = [PastSoak(9.0, 2.0, 2.0, None)] * 2
    assert told(off + tight).doubt > 5 * told(tight).doubt
    assert told(off + tight).scale == told(tight).scale


def test_after_a_blank_run_the_ratio_is_over_what_it_made_expected():
    blank = replace(BEFORE, blank_scale=1.5)
    feed, bowls = blank.scales
    soaks = [PastSoak(feed * 2 + bowls * 2, 2.0, 2.0, 3.0)] * 10
    past = learnt(soaks, blank.scales, blank.rel_sds, blank.doubt)
    assert past.scale == pytest.approx(1.0, abs=0.01)


def test_against_a_library_s_truncated_normal():
    """The same posterior by scipy's truncnorm on a finer grid of bench and night."""
    soaks = nights(7, 1.1, 0.08, 8, 5.2)
    before = math.hypot(0.5 * BEFORE.rel_sds[0], 0.5 * BEFORE.rel_sds[1])
    bench, night = np.linspace(-2.5, 2.5, 1001), np.geomspace(0.03, 0.5, 49)
    m, t = np.meshgrid(bench, night, indexing="ij")
    log = -0.5 * (np.log(t / 0.12) / 0.6) ** 2
    near = (1 - BEFORE.doubt) / before * np.exp(-0.5 * (m / before) ** 2)
    log += np.log(near + BEFORE.doubt / 0.7 * np.exp(-0.5 * (m / 0.7) ** 2))
    for one in soaks:
        sd = np.hypot(t, 0.3 / EXPECTED_G)
        cut = (math.log((one.lost_g + one.spare_g) / EXPECTED_G) - m) / sd
        log += truncnorm.logpdf(math.log(one.lost_g / EXPECTED_G), -np.inf, cut, m, sd)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float((weight * m).sum())
    spread = math.sqrt(float((weight * ((m - mean) ** 2 + t**2)).sum()))
    past = told(soaks)
    assert math.log(past.scale) == pytest.approx(mean, abs=0.003)
    assert past.narrows == pytest.approx(spread / before, rel=0.03)


GRAMS = st.floats(0.2, 30)


@given(st.lists(st.builds(PastSoak, GRAMS, GRAMS, GRAMS, st.none() | st.floats(0, 5))))
def test_whatever_it_is_told_it_stays_within_reason(soaks):
    past = told(soaks)
    assert 0.08 < past.scale < 12
    assert 0.1 <= past.narrows <= 2.0
    assert 0 < past.doubt <= 1
