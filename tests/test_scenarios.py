"""Every rehearsed night comes out right; more seeds are in the benchmark."""

from __future__ import annotations

import pytest

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.watch.decide import decide
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Cause

SEEDS = (101, 102)
ALIKE = {  # causes that mass and drops alone cannot tell apart; feed-off isolation does
    "two-leaks": {Cause.BOWL_JOINT_WEEP, Cause.OVERFLOW_TUBE_CRACK},
    "drain-plug-weep": {Cause.BOWL_JOINT_WEEP, Cause.OVERFLOW_TUBE_CRACK},
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_verdict_carburettor_and_cause(name, seed):
    night = simulate(SCENARIOS[name], seed=seed)
    settings = Settings(night.geometry, night.fuel, DESCRIBED, bowls_measured=True)
    verdict = decide(night.rows, settings).verdict
    truth = night.truth
    assert verdict.outcome.value in truth.outcomes
    alarmed = {alarm.carb for alarm in verdict.alarms if alarm.carb}
    assert alarmed == set(truth.carbs)
    first = verdict.suspects[0]
    assert first.cause in ALIKE.get(name, {Cause(truth.cause)})
    if truth.carbs:
        assert first.carb in truth.carbs
    assert sum(one.probability for one in verdict.suspects) == pytest.approx(1)


def test_a_stuck_needle_is_alarmed_within_ten_seconds_of_its_first_overflow():
    for seed in (1, 2, 3):
        night = simulate(SCENARIOS["needle-stuck-open"], seed=seed, hours=2)
        alarms = decide(night.rows, Settings()).verdict.alarms
        assert alarms[0].kind == "flood"
        assert alarms[0].carb == 3
        assert 0 <= alarms[0].t_s - night.truth.first_drop_s[3] <= 10


def test_a_drop_a_minute_is_alarmed_within_a_quarter_of_an_hour_of_its_start():
    for seed in (1, 2, 3):
        night = simulate(SCENARIOS["drop-a-minute"], seed=seed, hours=8)
        alarms = decide(night.rows, Settings()).verdict.alarms
        assert alarms[0].carb == 1
        assert 0 <= alarms[0].t_s - night.truth.first_drop_s[1] <= 900
