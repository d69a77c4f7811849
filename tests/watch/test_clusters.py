"""Counts in clusters: a Hawkes process with exponential decay, by hand and as a whole chance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.clusters import LASTS_S, Clusters


def log_likelihood(times_s: list[float], until_s: float, *, lasts_s: float, dark: float) -> float:
    clusters = Clusters(0.0, lasts_s, dark)
    for t_s in times_s:
        clusters.add(t_s, 0.0)
    return clusters.until(until_s)


def test_clusters_are_a_chance_of_one():
    """Over a few minutes: none, one or two counts, wherever they fall."""
    lasts_s, dark, until_s = 300.0, 1e-3, 200.0
    steps = np.linspace(0.5, until_s - 0.5, 200)

    def density(*times: float) -> float:
        return math.exp(log_likelihood(list(times), until_s, lasts_s=lasts_s, dark=dark))

    none = density()
    one = sum(density(t) for t in steps)
    two = sum(density(a, b) for i, a in enumerate(steps) for b in steps[i + 1 :])
    assert none == pytest.approx(math.exp(-dark * until_s))
    assert 0.97 < none + one + two < 1.0


@given(
    gaps_s=st.lists(st.floats(0.1, 2000.0), min_size=1, max_size=12),
    lasts_s=st.sampled_from(LASTS_S),
    rest_s=st.floats(0.0, 5000.0),
)
def test_it_is_the_process_of_hawkes(gaps_s, lasts_s, rest_s):
    """1971: log-intensity at each count less the intensity's integral, both as sums over counts."""
    dark, called = 1e-4, 0.9
    times = np.cumsum(gaps_s)
    until_s = float(times[-1]) + rest_s
    ages = times[:, None] - times
    excited = np.where(ages > 0, called / lasts_s * np.exp(-ages / lasts_s), 0.0).sum(axis=1)
    integral = dark * until_s - called * np.expm1(-(until_s - times) / lasts_s).sum()
    exact = np.log(dark + excited).sum() - integral
    # A count calls after itself, never itself; what company does not explain calls in full.
    assert log_likelihood(times.tolist(), until_s, lasts_s=lasts_s, dark=dark) == pytest.approx(
        exact, rel=1e-9, abs=1e-9
    )


def test_what_company_explains_calls_nothing():
    alone, beside = Clusters(0.0, 600.0, 1e-4), Clusters(0.0, 600.0, 1e-4)
    alone.add(100.0, 0.0)
    beside.add(100.0, 1.0)
    assert alone.heat == pytest.approx(1.0)
    assert beside.heat == pytest.approx(1e-4, rel=1e-3)


def test_a_burst_is_likelier_in_a_cluster_as_long_as_itself():
    burst = [1000.0 + 20.0 * n for n in range(10)]
    by_length = {
        lasts_s: log_likelihood(burst, 20_000.0, lasts_s=lasts_s, dark=1e-5) for lasts_s in LASTS_S
    }
    assert max(by_length, key=by_length.__getitem__) == 30.0
    dark_counts = 10 * math.log(1e-5) - 1e-5 * 20_000.0
    assert by_length[10800.0] > dark_counts + 20
