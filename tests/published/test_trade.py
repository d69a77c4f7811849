"""Facts of the trade: common practice, no published source."""

from __future__ import annotations

from dataclasses import replace

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.watch.decide import decide
from soakmon.watch.settings import Settings


def test_a_soak_lasts_a_day():
    """Common practice, no source: 24 hours."""
    assert (
        decide(simulate(SCENARIOS["dry-rack"], interval_s=10).rows, Settings()).verdict.duration_s
        == 86400
    )


def test_gross_leaks_show_within_minutes():
    """Common practice, no source: a stuck needle shows before the kettle has boiled."""
    night = simulate(SCENARIOS["needle-stuck-open"], hours=1)
    verdict = decide(night.rows, Settings()).verdict
    assert verdict.alarms[0].t_s - 600 < 300


def test_a_rack_is_usually_four():
    """Common practice, no source."""
    assert len(Settings().geometry.bowls) == 4


def test_a_shut_needle_leaves_one_bowl_of_fuel_in_the_bottle():
    """Common practice, no source: a bowl that stays dry shows in what the rack has taken."""
    night = simulate(SCENARIOS["needle-stuck-shut"], hours=2)
    verdict = decide(
        night.rows, replace(Settings(), geometry=night.geometry, bowls_measured=True)
    ).verdict
    assert [alarm.kind for alarm in verdict.alarms] == ["starved"]
