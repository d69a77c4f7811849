"""Thresholds, smallest leaks and ratios of the comparison, on figures reckoned by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.comparison import (
    DROPS,
    EITHER,
    LOSS,
    Score,
    Told,
    alarms_of,
    limit_of,
    median_delay_h,
    ratio_lines,
    smallest_leak,
    times_smaller,
)


def night(leak: float, drops: list[float], loss: float, **alarms: float | None) -> Told:
    t_s = [3600.0 * hour for hour in range(1, len(drops) + 1)]
    scores = {DROPS: Score(t_s, drops), LOSS: Score([86400.0], [loss])}
    return Told("easy", "gates", leak, 0, 0.0, scores, [], alarms, None)


def test_limit_is_the_highest_of_few_nights():
    assert limit_of([3.0, 1.0, 2.0], [1, 1, 1], 0.01) == 3.0


def test_limit_is_passed_by_a_further_night_at_the_rate_that_was_asked_for():
    rng = np.random.default_rng(5)
    passed = []
    for _ in range(4000):
        nights = rng.normal(size=200)
        passed.append(nights[-1] > limit_of(nights[:-1], np.ones(199), 0.01))
    assert limit_of(np.arange(199), np.ones(199), 0.01) == 197.0
    assert np.mean(passed) == pytest.approx(0.01, abs=0.004)


def test_equal_scores_are_passed_together_or_not_at_all():
    assert limit_of([0.0] * 150 + [4.0] * 49, np.ones(199), 0.01) == 4.0


def test_rare_nights_move_the_limit_by_their_share_alone():
    scores = [*np.linspace(0, 1, 400), *np.linspace(10, 11, 100)]
    half_a_percent = [0.995 / 400] * 400 + [0.005 / 100] * 100
    a_tenth = [0.9 / 400] * 400 + [0.1 / 100] * 100
    assert limit_of(scores, half_a_percent, 0.01) < 1
    assert limit_of(scores, a_tenth, 0.01) > 10.8


def test_an_alarm_comes_when_the_score_passes_the_limit_of_tight_nights():
    tight = [night(0.0, [0, 1, 7], 2.0), night(0.0, [0, 0, 1], 1.0)]
    found, missed = night(1.0, [2, 7, 8], 2.5), night(1.0, [2, 7, 7], 2.0, soakmon=5.0)
    first, second = alarms_of([found, missed], tight, [1, 1])
    assert first == {DROPS: 3 * 3600.0, LOSS: 86400.0, EITHER: 3 * 3600.0}
    assert second == {DROPS: None, LOSS: None, EITHER: None, "soakmon": 5.0}


def test_more_than_five_drops_are_asked_for_where_tight_nights_show_none():
    tight = [night(0.0, [0, 0, 0], 2.0)]
    alarms = alarms_of([night(1.0, [4, 5, 6], 0.0)], tight, [1])
    assert alarms[0][DROPS] == 3 * 3600.0


def test_loss_and_drops_together_alarm_no_oftener_than_either_alone():
    rng = np.random.default_rng(6)
    nights = [night(0.0, [float(rng.poisson(20))], float(rng.normal())) for _ in range(2400)]
    alarms = alarms_of(nights[1200:], nights[:1200], np.ones(1200))
    assert sum(a[EITHER] is not None for a in alarms) < 1.8 * 12


def test_smallest_leak_is_read_between_the_leaks_tried():
    shares = {1.0: 0, 2.0: 50, 8.0: 100, 16.0: 100}
    tried = [(leak, k < share) for leak, share in shares.items() for k in range(100)]
    assert smallest_leak(tried) == pytest.approx(2 * 4**0.9)
    assert smallest_leak([(leak, leak > 8) for leak, _ in tried], 1.0) == pytest.approx(16)


def test_a_miss_further_up_is_pooled_with_its_neighbours():
    nights = [(leak, True) for leak in (2.0, 4.0, 8.0) for _ in range(20)]
    assert smallest_leak(nights) == 2.0
    assert smallest_leak([*nights, *[(8.0, False)] * 2]) == 2.0
    assert smallest_leak([*nights, *[(8.0, False)] * 9]) is None


def test_never_found_counts_as_the_largest_leak():
    assert times_smaller(2.0, 6.0, 48.0) == 3.0
    assert times_smaller(2.0, None, 48.0) == 24.0
    assert times_smaller(None, 6.0, 48.0) == 0.125


def test_ratios_tell_where_ours_is_not_smaller_and_where_the_other_found_nothing():
    gate, mass = ("easy", "gate"), ("easy", "mass")
    smallest = {
        "a": {gate: 0.2, mass: 4.0},
        "b": {gate: 0.6, mass: 4.0},
        "c": {gate: None, mass: 8.0},
    }
    lines = ratio_lines(smallest, "a", {gate: 12.0, mass: 48.0})
    assert lines[2].split() == ["b", "3.0", "1.0!", "2.0", "1.0"]
    assert lines[3].split() == ["c", ">60.0", "2.0", "31.0", "2.0"]
    assert lines[4] == "all: median 2.50, least 1.00"


def test_half_of_the_nights_never_found_have_no_median_delay():
    assert median_delay_h([(7200.0, 3600.0), (None, 0.0), (3600.0, 0.0)]) == 1.0
    assert median_delay_h([(7200.0, 3600.0), (None, 0.0)]) is None


def test_a_night_comes_back_from_json():
    told = night(1.0, [2.0, 7.0], 2.5, soakmon=None)
    assert Told.from_json(json.loads(json.dumps(told))) == told
