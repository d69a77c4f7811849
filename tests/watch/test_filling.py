"""Fills as people make them: late, slow, in two goes, of a rack unlike the described one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.config import parse_bench
from soakmon.watch.decide import Decider, watched
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome
from tests.watch.nights import night

RACK_G = 124.8


def filled(
    rows: Rows,
    *,
    begins_s: float,
    g_per_min: float,
    takes_g: float = RACK_G,
    valve: bool = False,
    pause: tuple[float, float] | None = None,
) -> Rows:
    """A night before which the rack is filled; pause: grams after which nothing flows for s."""
    step = rows.t_s[1] - rows.t_s[0]
    lasts_s = takes_g / g_per_min * 60 + (pause[1] if pause else 0.0)
    t_s = np.arange(0.0, begins_s + 1.5 * lasts_s, step)
    took = np.minimum(np.maximum(t_s - begins_s, 0) * g_per_min / 60, takes_g)
    if pause is not None:
        late = np.maximum(t_s - begins_s - pause[1], 0) * g_per_min / 60
        took = np.maximum(np.minimum(took, pause[0]), np.minimum(late, takes_g))
    rng = np.random.default_rng(1)
    mass = rows.mass_g[0] + takes_g - took + rng.normal(0, 0.04, len(t_s))
    n = len(t_s)
    whole = Rows(
        np.concatenate([t_s, t_s[-1] + step + rows.t_s]),
        np.concatenate([mass, rows.mass_g]),
        np.concatenate([np.full(n, rows.air_c[0]), rows.air_c]),
        np.concatenate([np.zeros((n, rows.gates)), rows.drops]),
    )
    opened = (whole.t_s >= begins_s).astype(float)
    return replace(whole, feed_open=opened) if valve else whole


def judged(rows: Rows, **kept: object) -> Decider:
    return watched(rows, replace(Settings(), **kept))


@pytest.mark.parametrize("valve", [False, True])
@pytest.mark.parametrize("begins_s", [120.0, 3000.0, 6000.0])
@pytest.mark.parametrize("g_per_min", [3.0, 15.0, 120.0])
def test_a_fill_is_found_however_late_and_slow(valve, begins_s, g_per_min):
    made = judged(filled(night(3, hours=3), begins_s=begins_s, g_per_min=g_per_min, valve=valve))
    assert made.finder.found
    assert made.finder.taken_g == pytest.approx(RACK_G, rel=0.05)
    assert not made.alarms
    assert made.verdict().outcome is Outcome.NOT_PROVEN


@pytest.mark.parametrize("spacing_s", [30.0, 120.0, 300.0])
def test_a_fill_between_sparse_rows_is_found(spacing_s):
    rows = night(3, hours=3, spacing_s=spacing_s)
    made = judged(filled(rows, begins_s=1200.0, g_per_min=10.0))
    assert made.finder.found
    assert not [alarm for alarm in made.alarms if alarm.kind == "flood"]


@pytest.mark.parametrize("times", [0.5, 1.8, 2.5])
def test_a_rack_unlike_the_described_one_is_a_doubt_and_no_leak(times):
    made = judged(filled(night(3), begins_s=300.0, g_per_min=40.0, takes_g=times * RACK_G))
    verdict = made.verdict()
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "bench.toml describes" in verdict.reason
    assert not verdict.alarms


def test_a_bowl_short_of_a_measured_rack_is_a_needle_stuck_shut():
    rows = filled(night(3), begins_s=300.0, g_per_min=40.0, takes_g=0.76 * RACK_G)
    assert [a.kind for a in judged(rows, bowls_measured=True).verdict().alarms] == ["starved"]


def test_bowls_are_measured_when_bench_toml_says_other_than_the_default():
    assert not parse_bench("[rack]\nbowl_volume_ml = 40.0\n").settings().bowls_measured
    assert parse_bench("[rack]\nbowl_volume_ml = 43.0\n").settings().bowls_measured


def test_a_bowl_that_fills_late_is_no_leak():
    """The needle frees itself after two hours: the fill is taken up again."""
    rows = filled(night(3, hours=20), begins_s=300.0, g_per_min=40.0, pause=(93.0, 7200.0))
    made = judged(rows, bowls_measured=True)
    assert made.finder.taken_g == pytest.approx(RACK_G, rel=0.05)
    assert not made.alarms
    assert not made.verdict().alarms
    assert made.soak_s > 7500.0


def test_a_hand_on_the_bottle_fills_nothing():
    rows = night(4, spacing_s=1.0, hours=2)
    mass_g = rows.mass_g.copy()
    mass_g[400:430] -= 80.0
    mass_g[700:730] += 80.0
    made = judged(replace(rows, mass_g=mass_g))
    assert not made.finder.found


def test_a_lifted_bottle_is_blind_time():
    """Off the cell the net mass is that of the missing bottle, below nothing."""
    rows = night(4, hours=6)
    mass_g = rows.mass_g.copy()
    mass_g[2000:2200] = -212.0
    made = watched(replace(rows, mass_g=mass_g), Settings(), phase="soaking")
    assert not made.alarms
    assert {fault.kind for fault in made.verdict().faults} == {"gap"}


def test_a_file_with_its_filling_that_is_said_to_begin_after_it():
    rows = filled(night(3, hours=6), begins_s=300.0, g_per_min=60.0)
    made = watched(rows, Settings(), phase="soaking")
    assert made.finder.found
    assert not made.alarms


def test_a_full_rack_that_is_opened_again_soaks():
    """Hose and bowls draw what they had lost, and no more: that is not a shut tap."""
    rows = filled(night(3, hours=4), begins_s=900.0, g_per_min=1.5, takes_g=2.0, valve=True)
    made = judged(rows)
    assert not made.finder.found
    assert [name for name, _ in made.phases] == ["idle", "settling", "soaking"]
    shut_tap = filled(night(3, hours=0.5), begins_s=900.0, g_per_min=1.5, takes_g=0.01, valve=True)
    assert [name for name, _ in judged(shut_tap).phases] == ["idle"]
