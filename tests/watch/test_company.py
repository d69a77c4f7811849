"""Counts near other counts: what company makes of them, and what is chance."""

from __future__ import annotations

import math

import numpy as np

from soakmon.watch.company import Company, Count


def count(t_s: float, spacing_s: float = 1.0) -> Count:
    return Count(t_s, spacing_s, t_s, math.nan)


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
    # A row is weighed as a whole.
    assert company.due(0, 96.0) == []
    assert [c.t_s for c in company.due(0, 100.0)] == [95.0, 100.0]
    assert company.due(0, 300.0) == []
