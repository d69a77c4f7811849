"""Nights with two things at once: a second leak, sun on a gate, counts that keep no time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch.decide import decide
from soakmon.watch.decider import Decider
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome
from tests.watch.nights import night
from tests.watch.test_decide import judged


def beside_a_leak(fed_h: float, second_g_per_h: float, from_h: float) -> Rows:
    """Carb 2 leaks 1 g/h until the feed is shut at fed_h; carb 4 drips evenly from from_h on."""
    rows = night(11, leak_g_per_h=1.0, carb=2, hours=12)
    fed = rows.t_s <= 3600 * fed_h
    mass_g = np.where(fed, rows.mass_g, rows.mass_g[fed][-1])
    drops = np.where(fed[:, None], rows.drops, 0.0)
    lost_g = np.maximum(rows.t_s / 3600 - from_h, 0.0) * second_g_per_h
    drops[1:, 3] = np.diff(np.floor(lost_g / DROP_G))
    return replace(rows, mass_g=mass_g, drops=drops, feed_open=fed.astype(float))


@pytest.mark.parametrize("second_g_per_h", [0.05, 0.2])
def test_a_bowl_that_drips_once_the_feed_is_shut_is_a_second_leak(second_g_per_h):
    verdict = judged(beside_a_leak(1.0, second_g_per_h, 1.2))
    assert [alarm.carb for alarm in verdict.alarms] == [2, 4]
    first, second = sorted(verdict.leaks, key=lambda leak: leak.carb)
    assert first.leak_g_per_h.low < 1.0 < first.leak_g_per_h.high
    assert second.leak_g_per_h.low < second_g_per_h < second.leak_g_per_h.high
    assert second.leak_g_per_h.high < 6 * second_g_per_h


def test_a_leak_too_small_for_the_mass_is_found_beside_a_large_one():
    verdict = judged(beside_a_leak(12.0, 0.05, 0.5))
    assert [alarm.carb for alarm in verdict.alarms] == [2, 4]


def test_what_drips_on_with_the_feed_shut_adds_no_alarm():
    """The leak that shut the feed drips on, and two dark counts elsewhere are no second one."""
    rows = night(11, leak_g_per_h=1.0, carb=2, hours=12)
    fed = rows.t_s <= 3600.0
    mass_g = np.where(fed, rows.mass_g, rows.mass_g[fed][-1])
    rows.drops[[2000, 6000], 3] = 1
    rows = replace(rows, mass_g=mass_g, feed_open=fed.astype(float))
    assert [alarm.carb for alarm in judged(rows).alarms] == [2]


def at_random(leak_g_per_h: float, counted_g_per_h: float) -> Rows:
    """Counts at gate 2 that keep no time, all night, and what the bottle loses besides."""
    rows = night(7, leak_g_per_h=leak_g_per_h)
    rng = np.random.default_rng(7)
    rows.drops[:, 1] = rng.poisson(counted_g_per_h * 5 / 3600 / DROP_G, len(rows))
    return rows


def test_counts_that_keep_no_time_are_drops_where_the_bottle_lost_what_they_weigh():
    rows = at_random(0.6, 0.5)
    verdict = decide(rows, Settings(), phase="soaking").verdict
    assert [alarm.carb for alarm in verdict.alarms] == [2]
    assert verdict.leak_g_per_h.low < 0.6 < verdict.leak_g_per_h.high


@pytest.mark.parametrize("counted_g_per_h", [0.1, 0.5, 2.0])
def test_counts_that_keep_no_time_are_none_where_it_did_not(counted_g_per_h):
    verdict = decide(at_random(0.0, counted_g_per_h), Settings(), phase="soaking").verdict
    assert not verdict.alarms


def test_a_second_leak_did_not_begin_with_the_first():
    rows = night(8, leak_g_per_h=0.6, onset_h=2.0, carb=1)
    later_g = np.maximum(rows.t_s / 3600 - 11.0, 0.0) * 0.2
    rows.drops[1:, 1] = np.diff(np.floor(later_g / DROP_G))
    verdict = decide(replace(rows, mass_g=rows.mass_g - later_g), Settings(), phase="soaking")
    first, second = sorted(verdict.verdict.leaks, key=lambda leak: leak.carb)
    assert first.since_s[0] <= 2.1 * 3600
    assert 10.0 * 3600 < second.since_s[0] <= 11.0 * 3600 <= second.since_s[1]


def test_counts_that_keep_no_time_are_drops_where_the_beam_was_dark_as_long_as_for_drops():
    """Ten an hour: the bottle cannot tell them, and without widths nobody can."""
    rows = at_random(0.085, 0.085)
    rng = np.random.default_rng(3)
    block_ms = np.where(rows.drops > 0, rng.lognormal(np.log(8.0), 0.3, rows.drops.shape), np.nan)
    assert not decide(rows, Settings(), phase="soaking").verdict.alarms
    known = decide(replace(rows, block_ms=block_ms), Settings(), phase="soaking").verdict
    assert [alarm.carb for alarm in known.alarms] == [2]


@pytest.mark.parametrize("spacing_s", [1.0, 10.0])
def test_a_flood_is_told_at_the_same_time_however_many_rows_come_at_once(spacing_s):
    """Carb 1 floods before its fill shows, and again an hour later."""
    t_s = np.arange(0.0, 2 * 3600, spacing_s)
    rng = np.random.default_rng(5)
    fills_g = np.clip((t_s - 900) / 6, 0, 130) + np.clip((t_s - 930) / 20, 0, 12)
    floods_g = np.clip((t_s - 5400) * 90 / 3600, 0, None)
    mass_g = 450 - fills_g - floods_g + rng.normal(0, 0.05, len(t_s))
    drops = np.zeros((len(t_s), 4))
    fell = np.clip((t_s - 930) / 20, 0, 12) + floods_g
    drops[1:, 0] = np.diff(np.floor(fell / DROP_G))
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), drops)

    def told(at_once: int) -> list[tuple[float, str, int | None]]:
        decider = Decider(Settings(), 4)
        for start in range(0, len(rows), at_once):
            decider.push(rows.part(start, min(start + at_once, len(rows))))
        return [(alarm.t_s, alarm.kind, alarm.carb) for alarm in decider.alarms]

    assert told(1)
    assert told(1) == told(7) == told(3600)


def test_a_cell_whose_steps_hide_the_loss_is_said_to_stand_still():
    """Half a gram a step: it repeats itself for hours, though it never misses a reading."""
    rows = night(2)
    coarse = replace(rows, mass_g=np.round(0.1 * (rows.mass_g - 330) / 0.5) * 0.5 + 330)
    verdict = judged(coarse)
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "same reading for hours" in verdict.reason


@pytest.mark.parametrize("leak_g_per_h", [0.7, 2.0])
@pytest.mark.parametrize("at_h", [2.0, 14.4, 15.5])
def test_minutes_of_sun_on_a_gate_are_no_second_leak_however_much_another_has_lost(
    leak_g_per_h, at_h
):
    """What the bottle lost before and after the counts is not theirs."""
    rows = night(12, leak_g_per_h=leak_g_per_h, onset_h=6.0, carb=2, hours=18, spacing_s=60.0)
    rng = np.random.default_rng(12)
    shines = np.flatnonzero((rows.t_s >= 3600 * at_h) & (rows.t_s < 3600 * at_h + 240))
    rows.drops[shines, 0] = rng.poisson(70, len(shines))
    rows.drops[shines, 1] += rng.poisson(120, len(shines))
    rows.drops[shines, 3] = rng.poisson(140, len(shines))
    verdict = judged(rows)
    assert {alarm.carb for alarm in verdict.alarms if alarm.kind == "weep"} == {2}
    assert {leak.carb for leak in verdict.leaks} == {2}


@pytest.mark.parametrize("dry_h", [8.0, 30.0])
def test_a_minute_of_sun_after_the_bottle_has_run_out_is_no_drip(dry_h):
    """A flood that no gate sees empties the bottle; hours later the sun shines on a gate."""
    rows = night(13, hours=12, spacing_s=30.0)
    left_g = np.maximum(rows.mass_g - 110.0 * np.maximum(rows.t_s / 3600 - 4, 0), 0.02)
    left_g = np.where(rows.t_s < 3600 * dry_h, left_g, np.nan)
    shines = np.flatnonzero((rows.t_s >= 36_000) & (rows.t_s < 36_120))
    rows.drops[shines, 2] = [30, 98, 82, 21]
    verdict = judged(replace(rows, mass_g=left_g + 0.02 * np.sin(rows.t_s)))
    assert {(alarm.kind, alarm.carb) for alarm in verdict.alarms} == {("flood", None)}
