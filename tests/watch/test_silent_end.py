"""Records that end with hours in which nothing was weighed: what was known by then stays known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.decide import decide
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Outcome, Verdict
from tests.watch.nights import BENCH, night


def judged(rows: Rows) -> Verdict:
    return decide(rows, BENCH, phase="soaking").verdict


def silent_from(rows: Rows, hour: float) -> Rows:
    """The night with a cell that says nothing from that hour on."""
    return replace(rows, mass_g=np.where(rows.t_s < 3600 * hour, rows.mass_g, np.nan))


@pytest.mark.parametrize("hour", [21.0, 23.4])
def test_a_leak_that_no_gate_sees_stands_when_the_cell_falls_silent(hour):
    whole = night(5, leak_g_per_h=1.0, onset_h=3.0)
    verdict = judged(silent_from(whole, hour))
    assert verdict.outcome is Outcome.LEAKING
    assert verdict.leak_g_per_h.low < 1.0 < verdict.leak_g_per_h.high
    assert verdict.alarms[0].t_s < 10 * 3600
    # What was lost and what evaporates are those of one time.
    lost_g = (hour - 3.0) * 1.0 + verdict.expected_evaporation_g.best
    assert verdict.observed_loss_g == pytest.approx(lost_g, abs=0.8)


def test_a_leak_that_empties_the_bottle_stands_hours_later():
    rows = night(6, leak_g_per_h=4.5)
    left_g = np.maximum(rows.mass_g - rows.mass_g[0] + 90.0, 0.02)
    noise_g = np.random.default_rng(6).normal(0, 0.03, len(left_g))
    verdict = judged(replace(rows, mass_g=left_g + noise_g))
    assert verdict.outcome is Outcome.LEAKING
    assert verdict.leak_g_per_h.low < 4.5 < verdict.leak_g_per_h.high
    assert any(fault.kind == "bottle_empty" for fault in verdict.faults)


def test_a_gate_that_drips_stands_when_the_cell_falls_silent():
    verdict = judged(silent_from(night(7, leak_g_per_h=0.3, onset_h=2.0, carb=2), 20.0))
    assert verdict.outcome is Outcome.LEAKING
    assert {alarm.carb for alarm in verdict.alarms} == {2}


@pytest.mark.parametrize("hour", [12.0, 21.0])
def test_a_tight_night_stays_without_an_alarm(hour):
    verdict = judged(silent_from(night(8), hour))
    assert verdict.outcome is not Outcome.LEAKING
    assert not verdict.alarms


@pytest.mark.parametrize("zero_g", [-4.0, -1.6, 0.0, 0.9])
@pytest.mark.parametrize("g_per_min", [2.0, 37.0])
def test_a_flood_that_empties_the_bottle_is_as_large_as_what_it_held(zero_g, g_per_min):
    """However far the cell's zero has moved; its gate counts a jet as drops now and then."""
    rows = night(9, hours=12, spacing_s=30.0)
    flows_min = np.maximum(rows.t_s / 60 - 240, 0.0)
    held_g = 210.0
    mass_g = rows.mass_g - rows.mass_g[0] + held_g - g_per_min * flows_min
    emptied = mass_g < 0
    noise_g = np.random.default_rng(9).normal(0, 0.03, len(mass_g))
    mass_g = np.where(emptied, 0.0, mass_g) + zero_g + noise_g
    rows.drops[(flows_min > 0) & ~emptied, 0] = 40
    verdict = judged(replace(rows, mass_g=mass_g))
    (alarm,) = verdict.alarms
    assert (alarm.kind, alarm.carb) == ("flood", 1)
    (leak,) = verdict.leaks
    assert leak.leak_g_per_h.best == pytest.approx(60 * g_per_min, rel=0.3)
    assert any(fault.kind == "bottle_empty" for fault in verdict.faults)


@pytest.mark.parametrize("repeats", [1, 4])
def test_a_bottle_that_empties_in_minutes_wakes_somebody(repeats):
    """A hose comes off; rows of a minute from a cell that tells the same for minutes."""
    rows = night(10, hours=12, spacing_s=60.0)
    held_g = rows.mass_g - rows.mass_g[0] + 127.0
    left_g = np.maximum(held_g - 33.0 * np.maximum(rows.t_s / 60 - 480, 0.0), -0.8)
    told = np.arange(len(left_g)) // repeats * repeats
    verdict = judged(replace(rows, mass_g=left_g[told]))
    assert verdict.outcome is Outcome.LEAKING
    (alarm,) = verdict.alarms
    assert (alarm.kind, alarm.carb) == ("flood", None)
    assert 480 < alarm.t_s / 60 < 480 + 12
    (leak,) = verdict.leaks
    # What runs out between two tellings of the cell may have taken a part of the time.
    assert leak.leak_g_per_h.high > 60 * 33.0
    assert repeats > 1 or leak.leak_g_per_h.low < 60 * 33.0 < leak.leak_g_per_h.high


def test_an_empty_bottle_in_place_of_a_full_one_while_the_feed_is_shut_is_no_flood():
    rows = night(10, hours=12, spacing_s=60.0)
    gone = rows.t_s > 8 * 3600
    mass_g = np.where(gone, 0.3, rows.mass_g)
    verdict = judged(replace(rows, mass_g=mass_g, feed_open=np.where(gone, 0.0, 1.0)))
    assert not verdict.alarms
