"""Counts near other counts; clusters; dark rates of a bench: the likelihoods behind the stories."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.clusters import Clusters
from soakmon.watch.company import Company, Count
from soakmon.watch.dark import MULTIPLES, log_weights
from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Rows
from soakmon.watch.widths import drop_likeness


def count(t_s: float, spacing_s: float = 1.0) -> Count:
    return Count(t_s, spacing_s, False, math.nan)


def test_company_is_made_by_other_gates_only_and_nearby():
    company = Company(3, 0.0)
    company.hear(0, 5000.0, 1, 1.0, math.nan)
    company.hear(1, 5001.0, 1, 1.0, math.nan)
    company.hear(1, 9000.0, 1, 1.0, math.nan)
    at_once = company.near(0, count(5000.0))
    assert at_once.others
    assert at_once.others_per_s > 0.01
    assert not company.near(0, count(7000.0)).others
    within_a_minute = company.near(2, count(9040.0))
    assert 1e-5 < within_a_minute.others_per_s < 0.1 * at_once.others_per_s


def test_company_beyond_chance_is_learnt_and_company_by_chance_is_not():
    often, seldom = Company(2, 0.0), Company(2, 0.0)
    for n in range(40):
        t_s = 1000.0 + 2000.0 * n
        for company, late_s in ((often, 0.5), (seldom, 900.0)):
            company.hear(0, t_s, 1, 1.0, math.nan)
            company.hear(1, t_s + late_s, 1, 1.0, math.nan)
            company.near(0, count(t_s))
    company.hear(1, 90_000.0, 1, 1.0, math.nan)
    often.hear(1, 90_000.0, 1, 1.0, math.nan)
    here = count(90_000.5)
    assert often.near(0, here).others_per_s > 20 * seldom.near(0, here).others_per_s


def test_the_company_of_a_fast_drip_is_chance():
    company = Company(2, 0.0)
    for t_s in np.arange(0.0, 40_000.0, 45.0).tolist():
        company.hear(1, t_s, 1, 1.0, math.nan)
    heard = 0.0
    for n in range(10):
        near = company.near(0, count(3000.0 + 3600.0 * n + 7.0 * n))
        # Of what counts all the time only what comes at once is company.
        assert near.chance < 0.2
        heard += float(near.heard(np.array([0.65]))[0])
    assert heard < 0
    assert near.others_per_s < 5e-4


def test_two_drips_meet_by_chance_however_regular():
    """Of 235 s and of 166 s: three in four drops of one fall within a minute of the other's."""
    company = Company(2, 0.0)
    heard = 0.0
    times = sorted(
        [(t_s, 0) for t_s in np.arange(3600.0, 40_000.0, 235.0).tolist()]
        + [(t_s, 1) for t_s in np.arange(0.0, 40_000.0, 166.0).tolist()]
    )
    for t_s, gate in times:
        company.hear(gate, t_s, 1, 1.0, math.nan)
        for one in company.due(0, t_s - 60.0):
            heard += float(company.near(0, one).heard(np.array([0.25]))[0])
        company.due(1, t_s - 60.0)
    assert heard < -10


def test_counts_wait_for_company():
    company = Company(2, 0.0)
    company.hear(0, 100.0, 2, 10.0, math.nan)
    assert [c.t_s for c in company.due(0, 96.0)] == [95.0]
    assert [c.t_s for c in company.due(0, 200.0)] == [100.0]
    assert company.due(0, 300.0) == []


def test_clusters_are_a_chance_of_one():
    """Over a few minutes: none, one or two counts, wherever they fall."""
    lasts_s, dark, until_s = 300.0, 1e-3, 200.0
    steps = np.linspace(0.5, until_s - 0.5, 200)

    def density(*times: float) -> float:
        clusters = Clusters(0.0, lasts_s, dark)
        for t_s in times:
            clusters.add(t_s, 0.0)
        return math.exp(clusters.until(until_s))

    none = density()
    one = sum(density(t) for t in steps)
    two = sum(density(a, b) for i, a in enumerate(steps) for b in steps[i + 1 :])
    assert none == pytest.approx(math.exp(-dark * until_s))
    assert 0.97 < none + one + two < 1.0


def test_a_quiet_bench_makes_a_noisy_gate_unlikely():
    weights = [np.exp(log_weights(counts, 0.02, 12.0)) for counts in ([0, 0, 0], [9, 14, 6])]
    noisy = MULTIPLES >= 30
    quiet_bench, noisy_bench = (float(weight[noisy].sum()) for weight in weights)
    assert all(weight.sum() == pytest.approx(1.0, abs=1e-6) for weight in weights)
    assert quiet_bench < 0.01
    assert noisy_bench > 0.5


def test_gates_that_leak_make_no_noisy_bench():
    weights = np.exp(log_weights([900, 0, 0], 0.02, 12.0))
    assert weights[MULTIPLES >= 30].sum() < 0.02


@pytest.mark.parametrize(("dark_ms", "like"), [(3.0, True), (8.0, True), (0.25, False)])
def test_drops_are_dark_for_milliseconds(dark_ms, like):
    assert (drop_likeness(dark_ms) > 0.3) == like
    assert (drop_likeness(dark_ms) < -1.5) == (not like)


def test_drops_of_several_gates_in_one_long_row_are_no_knock():
    drops = np.ones((5, 4))
    rows = Rows(np.arange(5) * 600.0, np.full(5, 300.0), np.full(5, 20.0), drops)
    assert without_knocks(rows, np.full(5, 600.0))[0].drops.sum() == 20
    assert without_knocks(rows, np.full(5, 1.0))[0].drops.sum() == 0
