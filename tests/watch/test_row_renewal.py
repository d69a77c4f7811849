"""Drops that keep time, where rows hide when they fell: exact chances, and what they are worth."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from soakmon.watch.company import Company
from soakmon.watch.gate import CELL_S, GateEvidence
from soakmon.watch.rhythm import Rhythm
from soakmon.watch.row_renewal import RowRenewal

CLOSE, LOSING, ROUGH = Rhythm(20, 3, 0.0), Rhythm(20, 3, 0.35), Rhythm(6, 0, 0.15)
EACH = pytest.mark.parametrize("rhythm", [CLOSE, LOSING, ROUGH], ids=["close", "losing", "rough"])
DARK_PER_S = 1e-4
ROW_S = 60.0
# 0.5, 1.5 and 5 drops a row, and one too slow for rows to hide anything.
RATES = np.array([0.05, 0.5, 1.5, 5.0]) / ROW_S


def told(
    rows: list[int],
    rates_per_s: np.ndarray,
    spacing_s: float = ROW_S,
    rhythm: Rhythm = CLOSE,
) -> RowRenewal:
    """Of a gate that counted so much in each row, the first of them with some."""
    company, renewal = Company(1, 0.0), RowRenewal(rates_per_s, rhythm)
    for row, number in enumerate(rows, start=1):
        if number:
            company.hear(0, row * spacing_s, number, spacing_s, math.nan)
    for place, count in enumerate(company.due(0, math.inf)):
        renewal.add(count, math.log(DARK_PER_S))
        if place == 0:
            renewal.mark()
    return renewal


def chance(rows: list[int], rates_per_s: np.ndarray, rhythm: Rhythm = CLOSE) -> np.ndarray:
    """(R,) chance of these counts, of a drip that begins in the first row."""
    since = told(rows, rates_per_s, rhythm=rhythm).since(len(rows) * ROW_S)[0]
    # From the density of the counts' times to their number; and there are no other stray counts.
    log_times = sum(math.lgamma(n + 1) - n * math.log(ROW_S) for n in rows) + math.log(ROW_S)
    return np.exp(since - log_times - DARK_PER_S * ROW_S * (len(rows) - 1))


@EACH
def test_all_that_rows_may_hold_is_a_chance_of_one(rhythm):
    first = np.sum([chance([n], RATES, rhythm) for n in range(1, 60)], axis=0)
    assert first[0] == 0.0, "too slow: renewal.Renewal tells"
    assert first[1:] == pytest.approx([1.0, 1.0, 1.0], abs=1e-3)
    # Which counts of a row are stray is summed over none, one and all of them.
    follows = [[n, *more] for n in (1, 3) for more in itertools.product(range(14), repeat=2)]
    for n in (1, 3):
        after = np.sum([chance(rows, RATES, rhythm) for rows in follows if rows[0] == n], axis=0)
        assert np.all(after[1:] <= chance([n], RATES, rhythm)[1:] * 1.0001)
        assert np.all(after[1:] >= chance([n], RATES, rhythm)[1:] * 0.99)


def test_a_drip_that_stays_away_becomes_less_likely_by_every_row():
    quiet = [told([2], RATES).since((1 + n) * ROW_S)[0, 2] for n in range(8)]
    assert np.all(np.diff(quiet) < 0)


def test_asking_changes_nothing():
    asked, left = told([1, 2, 0, 1], RATES), told([1, 2, 0, 1], RATES)
    first = asked.since(240.0)
    assert np.all(asked.since(240.0) == first)
    assert len(asked.row) == len(left.row) == 1
    assert np.all(asked.total == left.total)


def test_rows_filled_evenly_are_worth_more_than_any_that_come_at_random():
    even = [1, 2] * 30
    rng = np.random.default_rng(4)
    random = rng.poisson(1.5, 60)
    random[0] = 1
    poisson = -1.5 * 59 + sum(n * math.log(1.5) - math.lgamma(n + 1) for n in even[1:])
    assert math.log(chance(even, RATES)[2]) > poisson + 15
    poisson = -1.5 * 59 + sum(n * math.log(1.5) - math.lgamma(n + 1) for n in random[1:])
    assert math.log(chance(random.tolist(), RATES)[2]) < poisson


def drip(lost: float, spread: float, rows: int = 60, seed: int = 6) -> list[int]:
    """Counts a row of 1.5 drops a row, of which so many are not counted."""
    rng = np.random.default_rng(seed)
    falls = np.cumsum(ROW_S / 1.5 * rng.gamma(1 / spread**2, spread**2, 2 * rows))
    seen = falls[rng.uniform(size=len(falls)) >= lost]
    counts = np.histogram(seen, np.arange(0, (rows + 1) * ROW_S, ROW_S))[0]
    return counts[np.flatnonzero(counts)[0] :].tolist()


@pytest.mark.parametrize(
    ("lost", "spread", "best"), [(0.0, 0.1, CLOSE), (0.35, 0.1, LOSING), (0.1, 0.45, ROUGH)]
)
def test_each_rhythm_tells_its_own_drips_best(lost, spread, best):
    nights = [drip(lost, spread, seed=seed) for seed in range(8)]
    said = {
        rhythm: sum(float(np.log(chance(rows, RATES, rhythm)[2])) for rows in nights)
        for rhythm in (CLOSE, LOSING, ROUGH)
    }
    assert max(said, key=said.__getitem__) == best


def test_a_drip_that_stops_and_begins_again_is_one():
    pause = [*[1, 2] * 10, *[0] * 600, *[1, 2] * 10]
    whole = [1, 2] * 20
    lost = math.log(chance(whole, RATES)[2]) - math.log(chance(pause, RATES)[2])
    assert 0 < lost < 30


def test_counts_in_the_first_row_of_all_have_a_time():
    """Nothing says how long the row before them was."""
    assert np.all(np.isfinite(told([1, 1, 1], RATES, spacing_s=0.0).since(600.0)))


def test_a_row_that_no_drip_fills_is_stray_and_no_end_of_all():
    """A storm of a thousand counts in a row, and the drip goes on after it."""
    among = told([*[1, 2] * 10, 1000, *[1, 2] * 30], RATES)
    before = told([*[1, 2] * 10, 1000], RATES)
    gained = among.since(81 * ROW_S)[0, 2] - before.since(21 * ROW_S)[0, 2]
    assert math.isfinite(gained)
    assert gained > np.log(1.5 / ROW_S) * 90 - 90


RATES_PER_H = 0.5 * 2 ** (np.arange(20) / 2)


def stray_rows(kind: str, rng: np.random.Generator, spacing_s: float) -> np.ndarray:
    """(n,) counts a row of four hours in which nothing drips."""
    seconds = 4 * 3600.0
    if kind == "even":
        times = rng.uniform(0, seconds, rng.poisson(rng.choice([6.0, 30.0, 90.0]) * 4))
    elif kind == "sun":
        start, lasts = rng.uniform(0, 2 * 3600), rng.uniform(600, 7200)
        times = start + rng.uniform(0, lasts, rng.poisson(lasts / rng.uniform(8, 90)))
    else:
        starts = rng.uniform(0, seconds, rng.poisson(12))
        times = np.concatenate([t + rng.exponential(90, rng.integers(1, 20)) for t in starts])
    rows = np.arange(0, seconds + spacing_s, spacing_s)
    return np.histogram(times, rows)[0]


def most_said(counts: np.ndarray, spacing_s: float) -> float:
    """The largest log-ratio of a leak over a night, looked at after every row with a count."""
    company, evidence, most = Company(1, 0.0), GateEvidence(RATES_PER_H, 0.02, 0.0), -math.inf
    begins = math.log(0.5 * CELL_S / 86_400) - math.log(len(RATES_PER_H))
    for row in np.flatnonzero(counts).tolist():
        end_s = (row + 1) * spacing_s
        company.hear(0, end_s, int(counts[row]), spacing_s, math.nan)
        for count in company.due(0, end_s):
            evidence.add(count, company.near(0, count))
        most = max(most, float(np.logaddexp.reduce(evidence.log_ratio(end_s)[1], None)) + begins)
    return most


@pytest.mark.parametrize("spacing_s", [10.0, 60.0])
@pytest.mark.parametrize("kind", ["even", "sun", "insects"])
def test_what_comes_at_random_is_no_drip_however_long_the_rows(kind, spacing_s):
    """Ville: with odds of 1000 to 1 hardly any such night may end."""
    rng = np.random.default_rng(17)
    most = [most_said(stray_rows(kind, rng, spacing_s), spacing_s) for _ in range(5)]
    assert max(most) < math.log(1000)


@pytest.mark.parametrize("spacing_s", [1.0, 10.0, 60.0])
def test_the_faster_it_drips_the_sooner_it_is_sure_however_long_the_rows(spacing_s):
    after_s = []
    for per_h in (8.0, 20.0, 45.0, 60.0, 90.0, 200.0):
        rng = np.random.default_rng(3)
        drops = np.cumsum(3600 / per_h * np.exp(0.06 * rng.standard_normal(int(2.5 * per_h))))
        counts = np.histogram(drops, np.arange(0, 9000 + spacing_s, spacing_s))[0]
        sure_s = next(
            end_s
            for end_s in range(600, 9001, 300)
            if most_said(counts[: int(end_s // spacing_s)], spacing_s) > math.log(1000)
        )
        after_s.append(sure_s)
    assert max(later / sooner for sooner, later in itertools.pairwise(after_s)) < 1.3
    assert after_s[-1] <= 2700
