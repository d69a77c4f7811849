"""A rack that floods while it fills: the fill hides it, until more has gone than a rack holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G
from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Outcome

UNKNOWN, MEASURED = Settings(), replace(Settings(), priors=DESCRIBED, bowls_measured=True)
RACK_G = UNKNOWN.rack_g + UNKNOWN.hose_g
OPENED_S = 400.0


def filling(takes_g: float, *, bottle_g: float, flood_g_per_h: float = 0.0, seed: int = 1) -> Rows:
    """Six hours: the rack takes so much at 25 g/min, and the flood, from the tap on, the rest."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, 6 * 3600, 5.0)
    since_s = np.maximum(t_s - OPENED_S, 0.0)
    gone_g = np.minimum(25.0 / 60 * since_s, takes_g) + flood_g_per_h / 3600 * since_s
    mass_g = np.maximum(bottle_g - gone_g, 0.0) - 2e-5 * t_s + rng.normal(0, 0.03, len(t_s))
    return Rows(t_s, mass_g, np.full(len(t_s), 20.0), np.zeros((len(t_s), 4)))


def floods(made: RunRecord) -> list[tuple[str, int | None]]:
    return [(alarm.kind, alarm.carb) for alarm in made.alarms]


@pytest.mark.parametrize("settings", [UNKNOWN, MEASURED], ids=["unknown", "measured"])
@pytest.mark.parametrize("flood_g_per_h", [300.0, 1200.0])
@pytest.mark.parametrize("bottle_g", [3.2, 5.0])
def test_a_flood_behind_the_fill_is_told_and_sized(settings, flood_g_per_h, bottle_g):
    rows = filling(RACK_G, bottle_g=bottle_g * RACK_G, flood_g_per_h=flood_g_per_h)
    made = watched(rows, settings)
    assert floods(made) == [("flood", None)]
    verdict = conclude(made)
    assert verdict.outcome is Outcome.LEAKING
    (leak,) = verdict.leaks
    assert leak.since_s[0] <= OPENED_S + 120
    assert leak.since_s[1] <= verdict.alarms[0].t_s
    if leak.until_s is None:
        # What the rack itself still takes while it is told counts with it.
        assert leak.leak_g_per_h.low <= 1.1 * flood_g_per_h
        assert flood_g_per_h <= leak.leak_g_per_h.high


@pytest.mark.parametrize("flood_g_per_h", [400.0, 1500.0])
def test_a_bottle_that_a_fill_empties_has_gone_somewhere(flood_g_per_h):
    """It holds twice what the rack should take: too little to say so while it flows."""
    rows = filling(RACK_G, bottle_g=2.2 * RACK_G, flood_g_per_h=flood_g_per_h)
    made = watched(rows, UNKNOWN)
    assert floods(made) == [("flood", None)]
    assert made.alarms[0].t_s <= made.empty_s + 61
    verdict = conclude(made)
    (leak,) = verdict.leaks
    assert leak.lost_g == pytest.approx(1.2 * RACK_G, rel=0.15)
    assert "ended about" in verdict.reason


@pytest.mark.parametrize("flood_g_per_h", [120.0, 200.0, 330.0])
def test_a_flood_through_a_full_measured_rack_is_told_within_twenty_minutes(flood_g_per_h):
    made = watched(filling(RACK_G, bottle_g=4 * RACK_G, flood_g_per_h=flood_g_per_h), MEASURED)
    assert floods(made) == [("flood", None)]
    full_s = OPENED_S + RACK_G / 25 * 60
    assert made.alarms[0].t_s < full_s + 1200
    (leak,) = conclude(made).leaks
    assert leak.leak_g_per_h.low <= flood_g_per_h <= leak.leak_g_per_h.high


@pytest.mark.parametrize("times", [0.7, 1.0, 1.5, 2.2])
def test_bowls_larger_than_anybody_said_are_no_flood(times):
    made = watched(filling(times * RACK_G, bottle_g=4 * RACK_G), UNKNOWN)
    assert floods(made) == []
    assert conclude(made).outcome is not Outcome.LEAKING


@pytest.mark.parametrize(("settings", "times"), [(UNKNOWN, 1.4), (MEASURED, 1.1)])
def test_a_bottle_that_held_just_enough_is_no_flood(settings, times):
    rows = filling(2 * RACK_G, bottle_g=times * RACK_G)
    assert floods(watched(rows, settings)) == []


def overflowing(*, lasts_s: float, overflow_g_per_h: float, counted: float, settings: Settings):
    """A bowl runs over from the tap on while the rack fills; its gate counts a share of it."""
    rows = filling(RACK_G, bottle_g=4 * RACK_G)
    over_g = overflow_g_per_h / 3600 * np.clip(rows.t_s - OPENED_S - 30, 0.0, lasts_s)
    rows.drops[1:, 2] = np.diff(np.floor(counted * over_g / USUAL_DROP_G))
    verdict = conclude(watched(replace(rows, mass_g=rows.mass_g - over_g), settings))
    (leak,) = verdict.leaks
    assert leak.carb == 3
    return leak


@pytest.mark.parametrize("settings", [UNKNOWN, MEASURED], ids=["unknown", "measured"])
@pytest.mark.parametrize("counted", [1.0, 0.6])
def test_what_the_rack_takes_is_not_what_runs_out_under_a_bowl(settings, counted):
    """72 g of 200: the float comes free at the end of the fill."""
    leak = overflowing(lasts_s=900.0, overflow_g_per_h=288.0, counted=counted, settings=settings)
    assert leak.lost_g == pytest.approx(72.0, rel=0.45)


def test_what_runs_on_after_the_fill_is_sized_by_the_bottle():
    leak = overflowing(lasts_s=1e5, overflow_g_per_h=100.0, counted=0.6, settings=MEASURED)
    assert leak.leak_g_per_h.low < 100.0 < leak.leak_g_per_h.high
