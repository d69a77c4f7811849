"""A flood whose feed is shut soon stays a flood, at its gate: the bottle tells after the shut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.conclude import conclude
from soakmon.watch.decide import decide, watched
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome
from tests.watch.nights import DROP_G, night

STARTS_S = 3 * 3600.0


def flood(
    g_per_min: float,
    lasts_s: float,
    *,
    spacing_s: float = 1.0,
    hours: float = 6.0,
    shut: bool = True,
    counted: float = 1.0,
) -> Rows:
    """It drips from gate 3 from the third hour on until the feed is shut (or the head is gone)."""
    rows = night(7, hours=hours, spacing_s=spacing_s)
    out_g = g_per_min / 60 * np.clip(rows.t_s - STARTS_S, 0.0, lasts_s)
    drops = rows.drops.copy()
    drops[1:, 2] = np.diff(np.floor(counted * out_g / DROP_G))
    late_s = STARTS_S + lasts_s + np.array([1.0, 3.0, 8.0, 20.0])  # the lip drips on for a little
    late_s = late_s[late_s < rows.t_s[-1]]
    np.add.at(drops, (np.searchsorted(rows.t_s, late_s), 2), 1.0)
    opened = np.where(rows.t_s > STARTS_S + lasts_s, 0.0, 1.0) if shut else None
    return replace(rows, mass_g=rows.mass_g - out_g, drops=drops, feed_open=opened)


def told(rows: Rows) -> RunRecord:
    return watched(rows, Settings(), phase="soaking")


@pytest.mark.parametrize("spacing_s", [1.0, 10.0])
@pytest.mark.parametrize(
    ("g_per_min", "lasts_s"),
    [(20.0, 20.0), (20.0, 60.0), (8.0, 20.0), (8.0, 60.0), (8.0, 120.0), (3.0, 40.0), (3.0, 120.0)],
)
def test_a_flood_that_is_shut_off_within_minutes_stays_one(g_per_min, lasts_s, spacing_s):
    record = told(flood(g_per_min, lasts_s, spacing_s=spacing_s))
    assert [(alarm.kind, alarm.carb) for alarm in record.alarms] == [("flood", 3)]
    verdict = conclude(record)
    assert verdict.outcome is Outcome.LEAKING
    assert [leak.carb for leak in verdict.leaks] == [3]
    rate = verdict.leaks[0].leak_g_per_h
    assert rate.low < 60 * g_per_min < rate.high
    assert not [fault for fault in verdict.faults if fault.kind in {"bump", "gate_noise"}]


@pytest.mark.parametrize("after_s", [30.0, 150.0, 600.0])
def test_it_does_not_matter_how_soon_the_record_ends(after_s):
    rows = flood(8.0, 30.0)
    rows = rows.part(0, int(np.searchsorted(rows.t_s, STARTS_S + 30.0 + after_s)))
    assert [leak.carb for leak in conclude(told(rows)).leaks] == [3]


def test_a_flood_without_a_valve_that_ends_within_minutes_stays_at_its_gate():
    verdict = conclude(told(flood(8.0, 90.0, shut=False)))
    assert [leak.carb for leak in verdict.leaks] == [3]
    lost_g = verdict.leaks[0].lost_g
    assert lost_g is not None
    assert lost_g == pytest.approx(12.0, rel=0.35)


def test_a_storm_of_counts_over_a_bottle_that_loses_nothing_is_still_none():
    rows = flood(8.0, 60.0)
    stormy = replace(night(7, hours=6.0, spacing_s=1.0), drops=rows.drops, feed_open=rows.feed_open)
    assert conclude(told(stormy)).outcome is not Outcome.LEAKING


@pytest.mark.parametrize("hours", [8.0, 10.0, 12.0])
def test_a_flood_that_never_stops_is_not_said_to_have_ended(hours):
    record = told(flood(0.5, 1e9, spacing_s=10.0, hours=hours, shut=False))
    assert [leak.until_s for leak in conclude(record).leaks] == [None]


@pytest.mark.parametrize("counted", [0.0, 1.0])
@pytest.mark.parametrize(("g_per_min", "lasts_s"), [(8.0, 300.0), (2.0, 1200.0)])
def test_what_a_flood_took_that_has_ended_is_what_the_bottle_lost(g_per_min, lasts_s, counted):
    rows = flood(g_per_min, lasts_s, spacing_s=10.0, hours=20.0, shut=False, counted=counted)
    verdict = conclude(told(rows))
    leak, out_g = verdict.leaks[0], g_per_min * lasts_s / 60
    assert leak.until_s is not None
    assert leak.lost_g == pytest.approx(out_g, rel=0.3)
    assert leak.until_s == pytest.approx(STARTS_S + lasts_s, abs=1200.0)


def unseen_flood(g_per_h: float, dark: tuple[float, float] | None, seed: int) -> Rows:
    """Outside the gates from the third hour on, until the bottle has lost 150 g."""
    rows = night(seed, hours=8.0, spacing_s=1.0)
    out_g = np.minimum(g_per_h / 3600 * np.maximum(rows.t_s - STARTS_S, 0.0), 150.0)
    mass_g = rows.mass_g - out_g
    if dark is not None:
        seen = (rows.t_s <= dark[0]) | (rows.t_s >= dark[1])
        return Rows(rows.t_s[seen], mass_g[seen], rows.air_c[seen], rows.drops[seen])
    return replace(rows, mass_g=mass_g)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("g_per_h", [30.0, 60.0, 300.0])
def test_a_flood_that_no_gate_sees_began_before_it_was_told(g_per_h, seed):
    rows = unseen_flood(g_per_h, None, seed)
    verdict = decide(rows, Settings(), phase="soaking").verdict
    assert [alarm.kind for alarm in verdict.alarms] == ["flood"]
    (leak,) = verdict.leaks
    assert leak.since_s[0] <= STARTS_S <= leak.since_s[1] <= verdict.alarms[0].t_s
    assert leak.since_s[1] - leak.since_s[0] < 1500


@pytest.mark.parametrize("g_per_h", [100.0, 600.0])
def test_a_flood_that_began_while_nothing_was_read_is_no_faster_for_it(g_per_h):
    """The power fails for 23 minutes; the rack floods since six minutes before it comes back."""
    rows = unseen_flood(g_per_h, (STARTS_S - 17 * 60, STARTS_S + 6 * 60), 3)
    verdict = decide(rows, Settings(), phase="soaking").verdict
    (leak,) = verdict.leaks
    assert leak.since_s[0] <= STARTS_S <= leak.since_s[1]
    assert leak.lost_g == pytest.approx(150.0, rel=0.1)
    lasted_s = leak.until_s - (leak.since_s[0] + leak.since_s[1]) / 2
    assert 3600 * leak.lost_g / lasted_s == pytest.approx(g_per_h, rel=0.15)


@pytest.mark.parametrize("pours_s", [(0.0,), (0.0, 240.0)])
def test_a_bottle_that_is_filled_up_while_it_floods_floods_on(pours_s):
    """110 g/h outside the gates; 80 g are poured in after an hour, once or twice."""
    rows = night(5, hours=5.5, spacing_s=1.0)
    out_g = 110.0 / 3600 * np.maximum(rows.t_s - STARTS_S, 0.0)
    poured_g = sum(
        80.0 * np.clip((rows.t_s - STARTS_S - 3600 - at_s) / 25, 0.0, 1.0) for at_s in pours_s
    )
    verdict = decide(
        replace(rows, mass_g=rows.mass_g - out_g + poured_g), Settings(), phase="soaking"
    ).verdict
    (leak,) = verdict.leaks
    assert leak.until_s is None
    assert leak.leak_g_per_h.low <= 110.0 <= leak.leak_g_per_h.high
    assert [fault.kind for fault in verdict.faults].count("refill") == len(pours_s)
    assert verdict.observed_loss_g == pytest.approx(out_g[-1], rel=0.06)


def test_a_flood_that_a_gate_counted_while_no_mass_was_read_is_no_hand_on_the_bottle():
    """The cell is silent for 44 minutes, in which 190 g run through gate 3; then it reads again."""
    rows = flood(190.0 / 40, 40 * 60.0, hours=8.0, shut=False)
    silent = (rows.t_s > STARTS_S - 60) & (rows.t_s < STARTS_S + 43 * 60)
    verdict = decide(
        replace(rows, mass_g=np.where(silent, np.nan, rows.mass_g)), Settings(), phase="soaking"
    ).verdict
    assert verdict.outcome is Outcome.LEAKING
    assert [leak.carb for leak in verdict.leaks] == [3]
    assert not [fault for fault in verdict.faults if "jumped" in fault.text]
    assert verdict.observed_loss_g > 185


@pytest.mark.parametrize("after_min", [57, 58, 59, 60, 61])
def test_a_refill_an_hour_after_its_alarm_takes_no_flood_back(after_min):
    """What is poured in weighs just what ran out."""
    rows = flood(2.0, 5 * 3600.0, hours=8.0, spacing_s=10.0, shut=False)
    at_s = STARTS_S + 60.0 * after_min
    poured_g = 118.0 * np.clip((rows.t_s - at_s) / 20, 0.0, 1.0)
    made = told(replace(rows, mass_g=rows.mass_g + poured_g))
    assert [alarm.kind for alarm in made.alarms] == ["flood"]
    assert [leak.carb for leak in conclude(made).leaks] == [3]


def test_a_verdict_may_be_asked_for_while_a_flood_runs_and_no_mass_is_read():
    rows = flood(190.0 / 40, 40 * 60.0, hours=8.0, shut=False)
    seen = rows.t_s < STARTS_S + 8 * 60
    silent = rows.t_s > STARTS_S - 10 * 60
    rows = replace(rows, mass_g=np.where(silent, np.nan, rows.mass_g)).part(0, int(seen.sum()))
    made = told(rows)
    assert [alarm.kind for alarm in made.alarms] == ["flood"]
    assert [leak.carb for leak in conclude(made).leaks] == [3]


@pytest.mark.parametrize("carb", [None, 3])
def test_a_flood_that_ended_by_itself_and_comes_again_is_told_again(carb):
    """Forty grams at the third hour, and sixty at the ninth: a needle that hangs, and no valve."""
    rows = night(9, hours=14.0)
    hours = rows.t_s / 3600
    out_g = 120 * np.clip(hours - 3, 0, 1 / 3) + 120 * np.clip(hours - 9, 0, 1 / 2)
    drops = rows.drops.copy()
    if carb is not None:
        drops[1:, carb - 1] += np.diff(np.floor(out_g / DROP_G))
    record = told(replace(rows, mass_g=rows.mass_g - out_g, drops=drops))
    at_h = [alarm.t_s / 3600 for alarm in record.alarms if alarm.kind == "flood"]
    assert at_h == pytest.approx([3.0, 9.0], abs=0.2)
    assert {alarm.carb for alarm in record.alarms} == {carb}
    verdict = conclude(record)
    assert verdict.outcome is Outcome.LEAKING
    assert [leak.carb for leak in verdict.leaks] == [carb]
