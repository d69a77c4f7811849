"""The evidence of one gate: leaks by the times of their drops, and the stories that are none."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch import gate as gates
from soakmon.watch.company import Company, Count, Near
from soakmon.watch.gate import CELL_S, GateEvidence

RATES_PER_H = 0.5 * 2 ** (np.arange(20) / 2)
DARK_PER_H = 0.02
ALONE = Near(0.0, 0.0, False, 0.01)
IN_COMPANY = Near(0.3, 0.0, True, 0.01)


def counted(
    times_s: np.ndarray | list[float],
    *,
    near: Near = ALONE,
    dark_ms: float = math.nan,
    dark_per_h: float = DARK_PER_H,
    spacing_s: float = 1.0,
) -> GateEvidence:
    evidence = GateEvidence(RATES_PER_H, dark_per_h, 0.0)
    for t_s in np.asarray(times_s).tolist():
        evidence.add(Count(t_s, spacing_s, t_s, dark_ms), near)
    return evidence


def mixed(evidence: GateEvidence, t_s: float, **story: bool) -> float:
    """The ratio of a leak that began in any cell so far, at any rate."""
    _, ratio = evidence.log_ratio(t_s, **story)
    return float(np.logaddexp.reduce(ratio, axis=None)) - math.log(ratio.shape[1])


REGULAR_S = 5000.0 + 300.0 * np.arange(12)


def test_a_gate_that_has_counted_nothing_says_nothing():
    times, ratio = counted([]).log_ratio(3600.0)
    assert times.shape == (0,)
    assert ratio.shape == (0, len(RATES_PER_H))


def test_no_leak_is_a_chance_of_one():
    """None, one or two counts in ten minutes at a noisy gate, wherever they fall."""
    steps = np.linspace(2.0, 598.0, 150)

    def chance(*times_s: float) -> float:
        return math.exp(counted(list(times_s), dark_per_h=0.3).log_no_leak(600.0))

    step = steps[1] - steps[0]
    none = chance()
    one = sum(map(chance, steps)) * step
    apart = steps[::10]
    two = sum(chance(a, b) for i, a in enumerate(apart) for b in apart[i + 1 :]) * (10 * step) ** 2
    # Counts at the same moment are missing from the pairs, bursts of three and more altogether.
    assert 0.95 < none + one + two < 1.005
    assert none > 0.85


def test_regular_drops_are_a_leak_at_their_rate():
    _, ratio = counted(REGULAR_S).log_ratio(REGULAR_S[-1])
    assert RATES_PER_H[ratio.max(axis=0).argmax()] == pytest.approx(12.0, rel=0.2)
    assert ratio.max() > 12


def test_each_drop_makes_a_leak_surer_and_waiting_less_sure():
    by_count = [mixed(counted(REGULAR_S[:n]), REGULAR_S[n - 1]) for n in range(2, 13)]
    # The least is what tells it from a load that other gates hear one time in four.
    assert np.all(np.diff(by_count) > -math.log(1 - 0.25))


def test_a_slow_drip_that_stays_away_becomes_less_sure():
    """No load switches every 67 minutes; a leak may have stopped."""
    slow_s = 3000.0 + 4000.0 * np.arange(8)
    evidence = counted(slow_s)
    in_time, late, gone = (
        mixed(evidence, slow_s[-1] + since_s) for since_s in (3600.0, 7200.0, 36_000.0)
    )
    assert late < in_time - 1.0
    # Once it has stopped, the drops that fell are as sure as they were.
    assert gone > late + math.log(0.1)


def test_a_count_hours_before_the_drops_leaves_both_beginnings_open_and_no_third():
    times, ratio = counted([500.0, *(REGULAR_S + 20_000.0)]).log_ratio(30_000.0)
    by_cell = np.logaddexp.reduce(ratio, axis=1)
    assert times.tolist()[:2] == [500.0, 25_000.0]
    assert abs(by_cell[0] - by_cell[1]) < 1.0
    assert np.all(by_cell[2:] < by_cell[1] - 10)
    assert np.all(np.diff(times) > CELL_S)


def test_counts_at_random_are_no_leak_as_often_as_is_said():
    """Ville: of dark gates no more than 1 in 20 / (their share of the stories) ever say 20 to 1."""
    rng, crossed, nights = np.random.default_rng(5), 0, 60
    for _ in range(nights):
        times = np.sort(rng.uniform(0, 43_200, rng.poisson(2.0 * 12)))
        evidence = GateEvidence(RATES_PER_H, 2.0, 0.0)
        most = -math.inf
        for t_s in times.tolist():
            evidence.add(Count(t_s, 1.0, t_s, math.nan), ALONE)
            # Half of all leaks drip within the first day: each cell has CELL_S / day of them.
            most = max(most, mixed(evidence, t_s) + math.log(0.5 * CELL_S / 86_400))
        crossed += most > math.log(20)
    assert crossed / nights < 0.05 / 0.84 + 3 * math.sqrt(0.06 / nights)


@pytest.mark.parametrize(
    "times_s",
    [
        np.cumsum(np.random.default_rng(1).exponential(3600.0, 12)),  # dark counts
        np.cumsum(np.tile([3000.0, 2.0, 9.0, 1.0, 15.0, 4.0], 3)),  # insects
        np.sort(np.random.default_rng(2).uniform(7200.0, 9000.0, 80)),  # half an hour of sun
    ],
)
def test_what_keeps_no_time_is_no_leak(times_s):
    assert mixed(counted(times_s), float(times_s[-1])) < math.log(1000)


def test_what_other_gates_hear_too_is_a_load_and_no_leak():
    alone, beside = counted(REGULAR_S), counted(REGULAR_S, near=IN_COMPANY)
    assert mixed(alone, REGULAR_S[-1]) > 10
    assert mixed(beside, REGULAR_S[-1]) < 0


def test_what_chatters_thrice_at_once_is_no_drop():
    times = np.concatenate([[t, t + 0.5, t + 1.0] for t in REGULAR_S])
    plain, chatters = (GateEvidence(RATES_PER_H, DARK_PER_H, 0.0) for _ in range(2))
    for place, t_s in enumerate(times.tolist()):
        first = place % 3 == 0
        follows = Near(0.0, 0.15, False, math.nan)
        third = Near(0.0, 0.15, False, math.nan, third=place % 3 == 2)
        plain.add(Count(t_s, 1.0, t_s, math.nan), ALONE if first else follows)
        chatters.add(Count(t_s, 1.0, t_s, math.nan), ALONE if first else third)
    end_s = float(times[-1])
    assert mixed(chatters, end_s) < mixed(plain, end_s)
    # Each moment of it is 35 times as likely of such a load, over a leak that never should.
    assert chatters.switched[2] - plain.switched[2] == pytest.approx(
        12 * (math.log(35.0) - math.log(0.65 / 0.99))
    )


def test_beams_dark_as_long_as_for_drops_make_a_leak_surer():
    likes = {ms: mixed(counted(REGULAR_S, dark_ms=ms), REGULAR_S[-1]) for ms in (5.0, 0.3)}
    unknown = mixed(counted(REGULAR_S), REGULAR_S[-1])
    assert likes[0.3] < unknown - 10 < likes[5.0] - 10


def test_only_the_mass_tells_bad_drips_from_what_is_fast_and_rough():
    rough_s = np.cumsum(np.random.default_rng(3).gamma(3.0, 20.0, 60)) + 4000.0
    evidence = counted(rough_s)
    either, drips = (mixed(evidence, rough_s[-1], rough=rough) for rough in (True, False))
    assert drips > either + 3
    # What keeps time is none of it.
    regular = counted(REGULAR_S)
    assert mixed(regular, REGULAR_S[-1], rough=False) == pytest.approx(
        mixed(regular, REGULAR_S[-1]), abs=0.5
    )


def test_it_is_looked_at_again_at_a_count_and_after_half_an_hour():
    evidence = counted([])
    assert not evidence.has_news(10_000.0)
    evidence.add(Count(10_000.0, 1.0, 10_000.0, math.nan), ALONE)
    assert evidence.has_news(10_001.0)
    assert not evidence.has_news(10_001.0 + 1799.0)
    assert evidence.has_news(10_001.0 + 1800.0)
    assert not evidence.has_news(10_001.0 + 1801.0)


def test_gates_that_count_nothing_make_this_ones_counts_drops():
    alone, quiet, noisy = (counted(REGULAR_S) for _ in range(3))
    quiet.hears_of([0, 0, 0], 30_000.0)
    noisy.hears_of([20, 30, 25], 30_000.0)
    by = [mixed(one, REGULAR_S[-1]) for one in (noisy, alone, quiet)]
    assert np.all(np.diff(by) > 0)


def test_what_has_counted_so_much_stays_as_it_stood(monkeypatch):
    monkeypatch.setattr(gates, "_MOST_EVENTS", 12)
    evidence = counted(REGULAR_S)
    before = evidence.log_ratio(REGULAR_S[-1])[1]
    evidence.add(Count(90_000.0, 1.0, 90_000.0, math.nan), ALONE)
    assert evidence.full
    assert evidence.count == 12
    assert evidence.log_ratio(90_000.0)[1] == pytest.approx(before)
    assert evidence.log_no_leak(90_000.0) == pytest.approx(evidence.log_no_leak(REGULAR_S[-1]))


def test_rows_that_hide_when_drops_fell_make_nothing_surer():
    """The same drops in rows of 1 s and of 250 s: these tell less, but not nothing."""
    company = Company(1, 0.0)
    rows = np.bincount(np.ceil(REGULAR_S / 250.0).astype(int))
    for row, number in enumerate(rows.tolist()):
        if number:
            company.hear(0, 250.0 * row, number, 250.0, math.nan)
    coarse = GateEvidence(RATES_PER_H, DARK_PER_H, 0.0)
    for count in company.due(0, math.inf):
        coarse.add(count, ALONE)
    assert 5 < mixed(coarse, 8500.0) < mixed(counted(REGULAR_S), REGULAR_S[-1]) - 1
