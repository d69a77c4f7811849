from collections import deque
from dataclasses import fields, is_dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch.decide import decide, watched
from soakmon.watch.decider import Decider
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Outcome, Verdict
from tests.watch.nights import BENCH, night


def plain(value: Any) -> Any:
    """All that an object of the decider has learnt, to the last bit, as values that compare."""
    if isinstance(value, np.ndarray | np.generic):
        return value.shape, value.dtype, value.tobytes()
    if isinstance(value, float):
        return value.hex()
    if isinstance(value, list | tuple | deque):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if is_dataclass(value):
        return type(value), [plain(getattr(value, part.name)) for part in fields(value)]
    return (type(value), plain(vars(value))) if hasattr(value, "__dict__") else value


def judged(rows: Rows, **settings: float) -> Verdict:
    return decide(rows, replace(BENCH, **settings), phase="soaking").verdict


@pytest.mark.parametrize("g_per_day", [20.0, 30.0])
def test_drips_as_fast_as_the_rows_are_told_within_the_hour(g_per_day):
    """About one or two in each row of a minute, from three hours before the end on."""
    rows = night(4, leak_g_per_h=g_per_day / 24, onset_h=5, carb=3, hours=8, spacing_s=60.0)
    weeps = [alarm for alarm in watched(rows, BENCH, phase="soaking").alarms if alarm.carb == 3]
    assert weeps
    assert weeps[0].t_s < 6.25 * 3600


@pytest.mark.parametrize("seed", range(6))
def test_a_tight_rack_is_never_called_leaking_and_mostly_proven_tight(seed):
    verdict = judged(night(seed))
    assert verdict.outcome is not Outcome.LEAKING
    assert verdict.leak_g_per_h.best == 0.0
    assert verdict.expected_evaporation_g.low < verdict.observed_loss_g
    assert verdict.observed_loss_g < verdict.expected_evaporation_g.high


def test_most_tight_nights_are_proven():
    assert sum(judged(night(seed)).outcome is Outcome.TIGHT for seed in range(8)) >= 7


@pytest.mark.parametrize(("leak_g_per_h", "carb"), [(0.02, 3), (0.5, 2), (3.0, 1)])
def test_a_weep_under_a_gate_is_found_with_carb_rate_and_onset(leak_g_per_h, carb):
    verdict = judged(night(5, leak_g_per_h=leak_g_per_h, onset_h=3, carb=carb))
    assert verdict.outcome is Outcome.LEAKING
    assert {alarm.carb for alarm in verdict.alarms} == {carb}
    band = verdict.leak_g_per_h
    assert band.low <= leak_g_per_h * 1.15
    assert band.high >= leak_g_per_h * 0.85
    assert verdict.alarms[0].t_s >= 3 * 3600


def test_a_drop_a_minute_is_alarmed_within_a_quarter_of_an_hour():
    rate = 60 * DROP_G
    verdict = judged(night(1, leak_g_per_h=rate, onset_h=6, carb=3, spacing_s=1.0, hours=8))
    assert verdict.alarms[0].carb == 3
    assert verdict.alarms[0].t_s - 6 * 3600 < 900


def test_a_leak_no_gate_sees_is_found_by_mass_and_blamed_on_no_carb():
    verdict = judged(night(2, leak_g_per_h=0.5, onset_h=5))
    assert verdict.outcome is Outcome.LEAKING
    assert [alarm.carb for alarm in verdict.alarms] == [None]
    assert verdict.leak_g_per_h.low < 0.52
    assert verdict.leak_g_per_h.high > 0.48


@pytest.mark.parametrize("seed", range(4))
def test_evaporation_wrong_by_a_factor_of_two_is_not_called_a_leak(seed):
    assert judged(night(seed, evaporation=2.0)).outcome is Outcome.NOT_PROVEN


def test_a_short_soak_proves_nothing():
    verdict = judged(night(3, hours=2))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert verdict.smallest_provable_leak_g_per_h * 24 > 2.0


@pytest.mark.parametrize("minutes", [2, 5, 12, 25])
def test_a_soak_ended_in_its_first_minutes_is_no_leak(minutes):
    """The filter still learns what noise is: its tail means nothing yet."""
    for seed in range(30):
        made = decide(night(seed, hours=minutes / 60), BENCH)
        assert made.verdict.outcome is Outcome.NOT_PROVEN, made.verdict.reason


def test_the_smallest_provable_leak_shrinks_with_time():
    short, long = (judged(night(3, hours=h)) for h in (6, 24))
    assert long.smallest_provable_leak_g_per_h < short.smallest_provable_leak_g_per_h


def test_a_bump_is_taken_out():
    rows = night(4)
    mass = rows.mass_g.copy()
    mass[len(mass) // 2 :] -= 3.0
    verdict = judged(replace(rows, mass_g=mass))
    assert verdict.outcome is not Outcome.LEAKING
    assert "bump" in {fault.kind for fault in verdict.faults}
    assert verdict.observed_loss_g < 4.0


def test_a_refill_is_taken_out():
    rows = night(4)
    mass = rows.mass_g.copy()
    mass[len(mass) // 3 :] += 80.0
    verdict = judged(replace(rows, mass_g=mass))
    assert verdict.outcome is not Outcome.LEAKING
    assert "refill" in {fault.kind for fault in verdict.faults}


def test_a_knock_on_all_gates_is_not_a_drop():
    rows = night(4, spacing_s=1.0, hours=12)
    drops = rows.drops.copy()
    drops[3600::1800] = 1.0
    verdict = judged(replace(rows, drops=drops))
    assert verdict.outcome is not Outcome.LEAKING
    assert verdict.drops == (0, 0, 0, 0)
    assert "bump" in {fault.kind for fault in verdict.faults}


def test_a_frozen_cell_is_a_fault_and_proves_nothing():
    rows = night(4)
    mass = rows.mass_g.copy()
    mass[len(mass) // 2 :] = mass[len(mass) // 2]
    verdict = judged(replace(rows, mass_g=mass))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "cell_frozen" in {fault.kind for fault in verdict.faults}


def test_a_gap_of_two_hours_is_a_fault_and_no_leak():
    rows = night(6)
    mass = rows.mass_g.copy()
    mass[5000:6440] = np.nan
    verdict = judged(replace(rows, mass_g=mass))
    assert verdict.outcome is not Outcome.LEAKING
    assert "gap" in {fault.kind for fault in verdict.faults}


@pytest.mark.parametrize(("blind_h", "tight"), [(1.0, True), (5.0, False)])
def test_a_cell_that_was_blind_too_long_proves_nothing(blind_h, tight):
    """In short stretches, of which none is a gap: what counts is the time in all."""
    rows = night(6)
    mass = rows.mass_g.copy()
    mass[(rows.t_s % 3600 < blind_h * 3600 / 24) & (rows.t_s > 3600)] = np.nan
    verdict = judged(replace(rows, mass_g=mass))
    assert (verdict.outcome is Outcome.TIGHT) == tight
    assert ("no load-cell readings for too long" in verdict.reason) != tight


def test_a_stuck_gate_proves_nothing():
    rows = night(6)
    drops = rows.drops.copy()
    drops[:, 1] = np.nan
    assert judged(rows).outcome is Outcome.TIGHT
    verdict = judged(replace(rows, drops=drops))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "gate 2 did not work" in verdict.reason


def test_no_temperature_at_all_is_said():
    rows = night(6)
    verdict = judged(replace(rows, air_c=np.full(len(rows), np.nan)))
    assert verdict.outcome is not Outcome.LEAKING
    assert "temperature_missing" in {fault.kind for fault in verdict.faults}


def test_probabilities_of_suspects_sum_to_one():
    for rows in (night(1), night(1, leak_g_per_h=0.4, carb=4)):
        assert sum(s.probability for s in judged(rows).suspects) == pytest.approx(1.0, abs=1e-9)


def test_a_night_at_once_is_decided_as_minute_by_minute():
    rows = night(7, leak_g_per_h=0.3, onset_h=2, carb=2, hours=6)
    at_once, by_minute = (Decider(BENCH, 4, already_soaking=True) for _ in range(2))
    at_once.push(rows)
    begins = np.flatnonzero(np.diff(np.ceil(rows.t_s / 60))) + 1
    for start, stop in pairwise([0, *begins.tolist(), len(rows)]):
        by_minute.push(rows.part(start, stop))
    assert by_minute.decision().verdict.outcome is Outcome.LEAKING
    assert plain(at_once) == plain(by_minute)


def test_a_stricter_criterion_is_not_met():
    verdict = judged(night(1), criterion_g_per_day=0.1)
    assert verdict.outcome is Outcome.NOT_PROVEN


def test_a_run_without_temperature_is_not_proven():
    rows = night(3, spacing_s=10)
    blind = replace(rows, air_c=np.full(len(rows), np.nan))
    verdict = decide(blind, BENCH, phase="soaking").verdict
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "temperature" in verdict.reason


@pytest.mark.parametrize("mass_g", [320.0, 0.0, np.nan])
def test_a_cell_that_never_moves_is_not_proven(mass_g):
    rows = night(3, spacing_s=10)
    still = replace(rows, mass_g=np.full(len(rows), mass_g))
    verdict = decide(still, BENCH, phase="soaking").verdict
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert not verdict.alarms


def test_one_spike_to_zero_does_not_empty_the_bottle():
    rows = night(3, spacing_s=60)
    mass_g = rows.mass_g.copy()
    mass_g[500] = 0.0
    faults = decide(replace(rows, mass_g=mass_g), BENCH, phase="soaking").verdict.faults
    assert "bottle_empty" not in {fault.kind for fault in faults}


def test_a_flood_that_no_gate_sees_is_alarmed_within_two_minutes():
    rows = night(2, spacing_s=1, leak_g_per_h=250, onset_h=0.6, hours=1.0)
    verdict = decide(rows, BENCH, phase="soaking").verdict
    assert verdict.alarms[0].kind == "flood"
    assert verdict.alarms[0].carb is None
    assert 0 < verdict.alarms[0].t_s - 0.6 * 3600 < 120


@pytest.mark.parametrize("spacing_s", [60.0, 600.0])
def test_sparse_rows_are_judged_too(spacing_s):
    tight = decide(night(1, spacing_s=spacing_s), BENCH, phase="soaking").verdict
    leaking = night(1, spacing_s=spacing_s, leak_g_per_h=0.5, onset_h=4)
    assert tight.outcome is Outcome.TIGHT
    assert decide(leaking, BENCH, phase="soaking").verdict.outcome is Outcome.LEAKING


def test_a_spike_as_the_very_first_reading_is_no_fill():
    rows = night(4, spacing_s=1.0, hours=2)
    mass_g = rows.mass_g.copy()
    mass_g[0] += 300.0
    decider = watched(replace(rows, mass_g=mass_g), BENCH)
    assert not decider.finder.fill.found
    assert not decider.alarms


def test_a_gate_with_regular_drops_is_named_when_the_mass_tells_first():
    verdict = judged(night(5, leak_g_per_h=3.0, onset_h=3, carb=1))
    assert [alarm.carb for alarm in verdict.alarms] == [1]


@pytest.mark.parametrize("leak_g_per_h", [0.0085, 0.02, 0.17])
def test_sun_on_the_gate_under_a_leak_does_not_hide_it(leak_g_per_h):
    """Drops from the start; after half the night leaves move before the sun for three hours."""
    rows = night(6, leak_g_per_h=leak_g_per_h, carb=3)
    rng = np.random.default_rng(6)
    counts = rows.drops.copy()
    lit = (rows.t_s > 13 * 3600) & (rows.t_s < 16 * 3600)
    bursts = rng.gamma(0.25, 4.0, 1441)[(rows.t_s / 60).astype(int)]
    counts[:, 2] += rng.poisson(np.where(lit, bursts * 5 / 60, 0.0))
    assert counts[lit, 2].sum() > 80
    verdict = judged(replace(rows, drops=counts))
    assert [alarm.carb for alarm in verdict.alarms] == [3]
    assert verdict.outcome is Outcome.LEAKING
    # A slow one less what dries, or more by what the mass leaves open: not by the bursts.
    assert verdict.leak_g_per_h.low < 1.1 * leak_g_per_h
    assert verdict.leak_g_per_h.best < leak_g_per_h + 0.04


def test_sun_alone_is_no_leak():
    rows = night(6)
    rng = np.random.default_rng(6)
    lit = (rows.t_s > 13 * 3600) & (rows.t_s < 16 * 3600)
    bursts = rng.gamma(0.25, 4.0, 1441)[(rows.t_s / 60).astype(int)]
    rows.drops[:, 2] += rng.poisson(np.where(lit, bursts * 5 / 60, 0.0))
    assert judged(rows).outcome is not Outcome.LEAKING


def test_when_the_feed_was_shut_is_known_to_the_second():
    rows = night(3, leak_g_per_h=0.5, carb=1, hours=4, spacing_s=1.0)
    shut_s = 2 * 3600 + 17
    rows = replace(rows, feed_open=np.where(rows.t_s <= shut_s, 1.0, 0.0))
    decider = watched(rows, BENCH, phase="soaking")
    assert decider.tally.shut_s == pytest.approx(shut_s, abs=2)
    assert decider.tally.shut_until_s > 3.9 * 3600


def test_a_leak_that_empties_the_bottle_is_as_large_as_it_was():
    """330 g at 25 g/h last thirteen hours; what the empty bottle does not lose says nothing."""
    rows = night(3, leak_g_per_h=25.0, carb=2)
    dry = rows.t_s > 13 * 3600
    drops = np.where(dry[:, None], 0.0, rows.drops)
    rows = replace(rows, mass_g=np.where(dry, 0.5, rows.mass_g), drops=drops)
    verdict = decide(rows, BENCH, phase="soaking").verdict
    assert verdict.leak_g_per_h.best == pytest.approx(25.0, rel=0.1)
    assert "bottle_empty" in {fault.kind for fault in verdict.faults}
