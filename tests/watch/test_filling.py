"""Fills as people make them: late, slow, in two goes, of a rack unlike the described one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.bench_toml import parse_bench
from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Cause, Outcome
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


def judged(rows: Rows, **kept: object) -> RunRecord:
    return watched(rows, replace(Settings(), **kept))


@pytest.mark.parametrize("valve", [False, True])
@pytest.mark.parametrize("begins_s", [120.0, 3000.0, 6000.0])
@pytest.mark.parametrize("g_per_min", [0.6, 1.5, 3.0, 15.0, 120.0])
def test_a_fill_is_found_however_late_and_slow(valve, begins_s, g_per_min):
    made = judged(filled(night(3, hours=3), begins_s=begins_s, g_per_min=g_per_min, valve=valve))
    assert made.finder.fill.found
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.05)
    assert not made.alarms
    assert conclude(made).outcome is Outcome.NOT_PROVEN


@pytest.mark.parametrize("spacing_s", [30.0, 120.0, 300.0])
def test_a_fill_between_sparse_rows_is_found(spacing_s):
    rows = night(3, hours=3, spacing_s=spacing_s)
    made = judged(filled(rows, begins_s=1200.0, g_per_min=10.0))
    assert made.finder.fill.found
    assert not [alarm for alarm in made.alarms if alarm.kind == "flood"]


@pytest.mark.parametrize("times", [0.5, 1.8, 2.5])
def test_a_rack_unlike_the_described_one_is_a_doubt_and_no_leak(times):
    made = judged(filled(night(3), begins_s=300.0, g_per_min=40.0, takes_g=times * RACK_G))
    verdict = conclude(made)
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "bowls of the usual size" in verdict.reason
    assert not verdict.alarms
    assert verdict.suspects[0].cause is Cause.NO_LEAK
    assert Cause.NEEDLE_STUCK_SHUT not in {one.cause for one in verdict.suspects}


def test_a_bowl_short_of_a_measured_rack_is_a_needle_stuck_shut():
    rows = filled(night(3), begins_s=300.0, g_per_min=40.0, takes_g=0.76 * RACK_G)
    verdict = conclude(judged(rows, bowls_measured=True))
    assert [a.kind for a in verdict.alarms] == ["starved"]
    assert verdict.suspects[0].cause is Cause.NEEDLE_STUCK_SHUT


def test_bowls_are_measured_when_bench_toml_says_other_than_the_default():
    assert not parse_bench("[rack]\nbowl_volume_ml = 40.0\n").settings().bowls_measured
    assert parse_bench("[rack]\nbowl_volume_ml = 43.0\n").settings().bowls_measured


def test_a_bowl_that_fills_late_is_no_leak():
    """The needle frees itself after two hours: the fill is taken up again."""
    rows = filled(night(3, hours=20), begins_s=300.0, g_per_min=40.0, pause=(93.0, 7200.0))
    made = judged(rows, bowls_measured=True)
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.05)
    assert not made.alarms
    assert not conclude(made).alarms
    assert made.soak_s > 7500.0


def test_a_measured_rack_may_take_some_more_than_was_measured():
    """The last bowl fills after a pause, at a pace of its own, and takes a little more."""
    rows = filled(
        night(3, hours=8, spacing_s=1.0), begins_s=600.0, g_per_min=41.0, takes_g=0.95 * RACK_G
    )
    rest_g = 0.09 * RACK_G
    took_g = np.minimum(np.maximum(rows.t_s - 1110.0, 0.0) * 9.0 / 60, rest_g)
    made = judged(replace(rows, mass_g=rows.mass_g + rest_g - took_g), bowls_measured=True)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(1.04 * RACK_G, rel=0.02)


def test_a_needle_that_sticks_frees_itself_in_a_second_and_wakes_nobody():
    """Most of the rack is in; a bowl takes the rest in a rush, two hours later."""
    rows = filled(
        night(3, hours=20, spacing_s=1.0), begins_s=300.0, g_per_min=600.0,
        pause=(0.88 * RACK_G, 7200.0),
    )  # fmt: skip
    made = judged(rows)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.05)


@pytest.mark.parametrize("times", [1.0, 1.5])
@pytest.mark.parametrize("first", [0.4, 0.93, 1.2])
@pytest.mark.parametrize("pause_s", [400.0, 1100.0, 7000.0])
@pytest.mark.parametrize("g_per_min", [30.0, 95.0])
def test_a_fill_that_stops_and_goes_on_is_no_flood(times, first, pause_s, g_per_min):
    """Whoever kinked the hose, or whatever air lock it was: nobody has measured these bowls."""
    rows = filled(
        night(3, hours=4, spacing_s=2.0), begins_s=600.0, g_per_min=g_per_min,
        takes_g=times * RACK_G, pause=(min(first, 0.9 * times) * RACK_G, pause_s), valve=True,
    )  # fmt: skip
    made = judged(rows)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(times * RACK_G, rel=0.05)


@pytest.mark.parametrize(
    ("measured", "begins_s", "within_s"),
    [(True, 9000.0, 240.0), (False, 9000.0, 540.0), (False, 16000.0, 240.0)],
)
def test_a_flood_of_more_than_the_rack_may_still_take_is_told(measured, begins_s, within_s):
    """Bowls that nobody has measured may take more than described, for some hours."""
    rows = filled(night(3, hours=6, spacing_s=1.0), begins_s=300.0, g_per_min=60.0, takes_g=110.0)
    runs_out = np.maximum(rows.t_s - begins_s, 0) * 0.25
    lost = replace(rows, mass_g=np.maximum(rows.mass_g + 100.0 - runs_out, 5.0))
    floods = [a for a in judged(lost, bowls_measured=measured).alarms if a.kind == "flood"]
    assert floods
    assert floods[0].t_s < begins_s + within_s


def test_a_tap_that_is_opened_hours_after_the_valve_fills_the_rack():
    rows = filled(night(3, hours=16), begins_s=10_000.0, g_per_min=60.0, valve=True)
    made = judged(replace(rows, feed_open=(rows.t_s >= 600.0).astype(float)))
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.05)


def test_more_fuel_in_the_bottle_fills_no_bowl():
    """It is leant on while it is poured in: 41 g more, no second fill, nothing lost by it."""
    rows = filled(night(3, hours=10, spacing_s=1.0), begins_s=300.0, g_per_min=60.0, takes_g=115.0)
    at = int(np.searchsorted(rows.t_s, 20_000.0))
    mass_g = rows.mass_g.copy()
    mass_g[at : at + 60] += 92.0
    mass_g[at + 60 : at + 120] += 125.0
    mass_g[at + 120 :] += 41.0
    made = judged(replace(rows, mass_g=mass_g))
    assert [name for name, _ in made.phases].count("filling") == 1
    assert made.follower.steps.removed_g == pytest.approx(41.0, abs=0.5)
    assert conclude(made).observed_loss_g == pytest.approx(
        conclude(judged(rows)).observed_loss_g, abs=0.5
    )


def test_a_rack_that_takes_twice_as_much_shrinks_twice_as_much():
    made = judged(filled(night(3, hours=8), begins_s=300.0, g_per_min=60.0, takes_g=2 * RACK_G))
    assert made.evaporation.rack_scale == pytest.approx(2.0, rel=0.05)


def test_a_hand_on_the_bottle_fills_nothing():
    rows = night(4, spacing_s=1.0, hours=2)
    mass_g = rows.mass_g.copy()
    mass_g[400:430] -= 80.0
    mass_g[700:730] += 80.0
    made = judged(replace(rows, mass_g=mass_g))
    assert not made.finder.fill.found


def test_a_lifted_bottle_is_blind_time():
    """Off the cell the net mass is that of the missing bottle, below nothing."""
    rows = night(4, hours=6)
    mass_g = rows.mass_g.copy()
    mass_g[2000:2200] = -212.0
    made = watched(replace(rows, mass_g=mass_g), Settings(), phase="soaking")
    assert not made.alarms
    assert {fault.kind for fault in conclude(made).faults} == {"gap"}


def test_a_file_with_its_filling_that_is_said_to_begin_after_it():
    rows = filled(night(3, hours=6), begins_s=300.0, g_per_min=60.0)
    made = watched(rows, Settings(), phase="soaking")
    assert made.finder.fill.found
    assert not made.alarms


def test_a_full_rack_that_is_opened_again_soaks():
    """Hose and bowls draw what they had lost, and no more: that is not a shut tap."""
    rows = filled(night(3, hours=4), begins_s=900.0, g_per_min=1.5, takes_g=2.0, valve=True)
    made = judged(rows)
    assert not made.finder.fill.found
    assert [name for name, _ in made.phases] == ["idle", "settling", "soaking"]
    shut_tap = filled(night(3, hours=0.5), begins_s=900.0, g_per_min=1.5, takes_g=0.01, valve=True)
    assert [name for name, _ in judged(shut_tap).phases] == ["idle"]


def test_a_leak_that_drips_while_the_rack_settles_began_with_the_fill():
    rows = filled(night(3, hours=8), begins_s=300.0, g_per_min=60.0)
    drops = rows.drops.copy()
    drops[np.searchsorted(rows.t_s, np.arange(900.0, 28_000.0, 200.0)), 1] = 1.0
    leaked = np.cumsum(drops.sum(axis=1)) * 0.0146
    verdict = conclude(judged(replace(rows, drops=drops, mass_g=rows.mass_g - leaked)))
    (leak,) = verdict.leaks
    assert leak.carb == 2
    assert leak.since_s[0] < 700.0
    assert 850.0 < leak.since_s[1] < 1500.0


@pytest.mark.parametrize("later", range(-1, 4))
@pytest.mark.parametrize("times", [0.0, 2.0])
def test_a_spike_while_the_soak_begins_moves_nothing(later, times):
    """Two readings a minute: their middle is between the load and a converter's wrong word."""
    rows = filled(night(3, hours=6, spacing_s=30.0), begins_s=300.0, g_per_min=60.0)
    at = int(np.searchsorted(rows.t_s, judged(rows).soak_s)) + later
    mass_g = rows.mass_g.copy()
    mass_g[at] *= times
    verdict = conclude(judged(replace(rows, mass_g=mass_g)))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert verdict.observed_loss_g < 2.0
    assert not [fault for fault in verdict.faults if fault.kind == "refill"]


def test_a_bowl_that_overflows_while_the_rack_fills_is_told_though_the_fill_shows_later():
    """Two drops a second at gate 1, from a minute before the fill is plain."""
    rows = filled(night(3, hours=2, spacing_s=1.0), begins_s=900.0, g_per_min=20.0, takes_g=300.0)
    drops = rows.drops.copy()
    drops[(rows.t_s > 945) & (rows.t_s < 1700), 0] = 2
    made = judged(replace(rows, drops=drops))
    assert [name for name, t_s in made.phases if t_s > 960][:1] == ["filling"]
    assert [(alarm.kind, alarm.carb) for alarm in made.alarms] == [("flood", 1)]
    assert conclude(made).outcome is Outcome.LEAKING


def test_a_flood_hours_after_the_fill_is_no_late_bowl_of_a_rack_described_too_large():
    rows = filled(night(3, hours=8), begins_s=300.0, g_per_min=40.0, takes_g=0.6 * RACK_G)
    begins_s = 6 * 3600.0
    lost_g = np.maximum(rows.t_s - begins_s, 0.0) * 4 / 60
    made = judged(replace(rows, mass_g=np.maximum(rows.mass_g - lost_g, 0.0)))
    assert [(alarm.kind, alarm.carb) for alarm in made.alarms] == [("flood", None)]
    assert made.alarms[0].t_s - begins_s < 180


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("first", [0.35, 0.7])
@pytest.mark.parametrize("pause_s", [900.0, 4200.0])
def test_a_trickle_that_stops_and_goes_on_is_no_leak(measured, first, pause_s):
    rows = filled(night(3, hours=6), begins_s=600.0, g_per_min=1.3, pause=(first * RACK_G, pause_s))
    made = judged(rows, bowls_measured=measured)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.05)


def test_fuel_that_trickles_away_for_more_than_a_rack_can_hold_is_told():
    rows = filled(night(3, hours=9), begins_s=600.0, g_per_min=1.2, takes_g=4 * RACK_G)
    made = judged(rows)
    assert [alarm.carb for alarm in made.alarms] == [None]
    assert RACK_G < 1.2 / 60 * (made.alarms[0].t_s - 600.0) < 2.5 * RACK_G


def test_drops_under_a_bowl_make_a_trickle_no_fill():
    """As fast as the bottle loses them: nothing fills."""
    rows = filled(night(3, hours=3), begins_s=600.0, g_per_min=1.2, takes_g=RACK_G)
    drops = rows.drops.copy()
    step_s = rows.t_s[1] - rows.t_s[0]
    drops[rows.t_s > 600.0, 1] = round(1.2 / 60 * step_s / 0.0146)
    made = judged(replace(rows, drops=drops))
    assert not made.finder.fill.found
    assert made.alarms[0].carb == 2
    assert made.alarms[0].t_s < 1200.0


@pytest.mark.parametrize("settles_g", [0.02, 0.2])
def test_a_hand_on_the_bottle_while_a_trickle_fills_ends_nothing(settles_g):
    rows = filled(night(3, hours=4, spacing_s=2.0), begins_s=600.0, g_per_min=1.5)
    mass_g = rows.mass_g.copy()
    mass_g[(rows.t_s > 2000) & (rows.t_s < 2400)] += 2200.0
    mass_g[rows.t_s >= 2400] += settles_g
    made = judged(replace(rows, mass_g=mass_g))
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(RACK_G, rel=0.06)


def test_a_thin_fill_of_a_rack_that_holds_more_than_described_is_no_flood():
    rows = filled(
        night(3, hours=12), begins_s=600.0, g_per_min=1.4, takes_g=1.6 * RACK_G, valve=True
    )
    made = judged(rows)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(1.6 * RACK_G, rel=0.05)


@pytest.mark.parametrize("carbs", [1, 2, 4])
@pytest.mark.parametrize(("lasts_h", "more"), [(1.5, 1.0), (4.0, 1.0), (3.5, 1.15)])
def test_a_whole_rack_may_fill_by_a_trickle_however_small_it_is(carbs, lasts_h, more):
    """Or though it holds some more than somebody has measured."""
    told = parse_bench(f"[rack]\ncarbs = {carbs}\nbowl_volume_ml = 38.0\n").settings()
    takes_g = more * (told.rack_g + told.hose_g)
    t_s = np.arange(0.0, 16 * 3600.0, 10.0)
    rng = np.random.default_rng(carbs)
    mass_g = 450.0 - takes_g * np.clip((t_s - 300.0) / (lasts_h * 3600.0), 0.0, 1.0)
    mass_g -= 2.5 * t_s / 86400 + rng.normal(0, 0.03, len(t_s))
    mass_g += np.cumsum(rng.normal(0, 0.03 * np.sqrt(10 / 3600), len(t_s)))
    rows = Rows(t_s, mass_g, np.full(len(t_s), 19.0), np.zeros((len(t_s), carbs)))
    made = watched(rows, told)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(takes_g, rel=0.05)
    assert conclude(made).outcome is not Outcome.LEAKING


@pytest.mark.parametrize("g_per_min", [8.0, 20.0])
@pytest.mark.parametrize("takes_g", [18.0, 30.0])
def test_a_fill_of_one_or_two_bowls_that_stops_by_itself_is_no_leak(takes_g, g_per_min):
    """The others were full, or their needles are stuck shut."""
    made = judged(filled(night(3, hours=20), begins_s=180.0, g_per_min=g_per_min, takes_g=takes_g))
    assert made.finder.fill.found
    assert made.finder.fill.taken_g == pytest.approx(takes_g, abs=1.0)
    assert not [alarm for alarm in made.alarms if alarm.leaks]
    assert conclude(made).outcome is Outcome.NOT_PROVEN


@pytest.mark.parametrize("more", [0.95, 1.0, 1.1])
@pytest.mark.parametrize("pause_s", [1800.0, 4000.0])
def test_a_measured_rack_that_fills_in_two_goes_may_take_some_more(more, pause_s):
    told = parse_bench("[rack]\ncarbs = 4\nbowl_volume_ml = 38.0\n").settings()
    takes_g = more * (told.rack_g + told.hose_g)
    rows = filled(
        night(5, hours=10, spacing_s=1.0), begins_s=300.0, g_per_min=40.0, takes_g=takes_g,
        pause=(0.55 * takes_g, pause_s),
    )  # fmt: skip
    made = watched(rows, told)
    assert not made.alarms
    assert made.finder.fill.taken_g == pytest.approx(takes_g, rel=0.05)


def test_a_bottle_that_somebody_leans_on_for_minutes_is_no_small_fill():
    rows = night(4, spacing_s=1.0, hours=4)
    mass_g = rows.mass_g.copy()
    mass_g[1200:1500] -= 25.0
    assert not judged(replace(rows, mass_g=mass_g)).finder.fill.found


@pytest.mark.parametrize(("said_full", "at_h"), [(True, 1.0), (True, 10.0), (False, 10.0)])
@pytest.mark.parametrize("leak_g_per_h", [0.0, 1.2])
def test_a_feed_that_is_shut_after_hours_isolates_a_rack_that_soaks(said_full, at_h, leak_g_per_h):
    """Full from the start; the tap is shut for two hours and opened again."""
    rows = night(4, hours=14)
    hours = rows.t_s / 3600
    shut = (hours >= at_h) & (hours < at_h + 2)
    fed_h = np.where(hours < at_h, hours, np.where(shut, at_h, hours - 2))
    out_g = leak_g_per_h * fed_h
    rows = replace(rows, mass_g=rows.mass_g - out_g, feed_open=1.0 - shut)
    phase = "soaking" if said_full else "idle"
    made = watched(rows, Settings(priors=DESCRIBED), phase=phase)
    assert [name for name, _ in made.phases][-1] == "soaking"
    assert made.soak_s < 3600
    verdict = conclude(made)
    assert verdict.observed_loss_g == pytest.approx(out_g[-1] + 1.5, abs=1.5)
    assert (verdict.outcome is Outcome.LEAKING) == (leak_g_per_h > 0)


@pytest.mark.parametrize("at_h", [8.0, 14.0])
def test_a_flood_that_was_taken_for_a_late_bowl_lost_what_the_bottle_lost(at_h):
    """A rack that nobody measured takes half of what is said; hours later 120 g run out."""
    rows = filled(night(3, hours=20), begins_s=300.0, g_per_min=40.0, takes_g=62.0)
    out_g = 110.0 * np.clip(rows.t_s / 3600 - at_h, 0, 120 / 110)
    made = watched(replace(rows, mass_g=rows.mass_g - out_g), Settings(priors=DESCRIBED))
    assert [(alarm.kind, alarm.carb) for alarm in made.alarms] == [("flood", None)]
    (leak,) = conclude(made).leaks
    assert leak.lost_g == pytest.approx(120.0, rel=0.15)
    assert leak.since_s[0] == pytest.approx(at_h * 3600, abs=1800)
