"""What is said of a run that ended before there was anything to weigh."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.conclude import conclude
from soakmon.watch.decider import Decider
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm, Cause, Outcome
from tests.watch.nights import BENCH, night


def minutes_of(mass_g: float, minutes: int = 3) -> Decider:
    """Readings before the feed was opened, and the first of the next minute."""
    decider = Decider(BENCH, 4)
    t_s = np.arange(0.0, 60.0 * minutes + 2)
    some, none = np.ones(len(t_s)), np.zeros(len(t_s))
    drops = np.zeros((len(t_s), 4))
    decider.push(Rows(t_s, mass_g * some, 20.0 * some, drops, feed_open=none))
    return decider


def test_a_run_without_a_reading_says_so():
    verdict = conclude(minutes_of(math.nan).record())
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "no mass reading" in verdict.reason
    assert verdict.observed_loss_g is None
    assert verdict.smallest_provable_leak_g_per_h is None
    assert verdict.duration_s == 180.0


def test_a_run_that_ended_before_the_soak_says_so_and_suspects_no_leak():
    verdict = conclude(minutes_of(300.0).record())
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "before the soak began" in verdict.reason
    assert verdict.suspects[0].cause is Cause.NO_LEAK
    assert sum(one.probability for one in verdict.suspects) == pytest.approx(1.0)


def test_an_alarm_before_the_soak_is_a_leak_known_to_a_factor():
    decider = minutes_of(300.0)
    decider.alarms += [
        Alarm(100.0, "flood", 2, 30.0, "carb 2"),
        Alarm(110.0, "flood", 3, 90.0, "carb 3"),
    ]
    verdict = conclude(decider.record())
    assert (verdict.outcome, verdict.reason) == (Outcome.LEAKING, "carb 2")
    assert verdict.leak_g_per_h.best == 90.0
    assert verdict.leak_g_per_h.low == pytest.approx(45.0)
    assert verdict.leak_g_per_h.high == pytest.approx(180.0)
    assert {one.carb for one in verdict.suspects} >= {2, 3}
    assert Cause.NO_LEAK not in {one.cause for one in verdict.suspects}


def test_drops_of_a_night_are_in_its_verdict_with_what_they_weigh():
    decider = Decider(BENCH, 4, already_soaking=True)
    decider.push(night(1, leak_g_per_h=1.0, carb=3, hours=3.0))
    decider.finish()
    verdict = conclude(decider.record())
    assert verdict.outcome is Outcome.LEAKING
    assert [alarm.carb for alarm in verdict.alarms] == [3]
    assert verdict.drops[2] == sum(verdict.drops)
    assert verdict.caught_g[2] == pytest.approx(3.0, rel=0.2)
    assert verdict.alarms[0].leak_g_per_h == pytest.approx(1.0, rel=0.2)
    assert [leak.carb for leak in verdict.leaks] == [3]
