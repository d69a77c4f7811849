"""Bowls that a fill was short of: one that fills late is no leak, more than it takes is one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from soakmon.bench_toml import parse_bench
from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.flow_log import FlowLog
from soakmon.watch.late_bowl import LateBowl, LateFill
from soakmon.watch.rack_content import RackContent
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Outcome
from tests.watch.test_flow_log import weighed

BOWL_G = 38 * 0.745
MEASURED = parse_bench("[rack]\ncarbs = 4\nbowl_volume_ml = 38.0\n").settings()
DEFAULT = parse_bench("[rack]\ncarbs = 4\n").settings()


def after_three_bowls(late_g, *, hours: float = 14.0, carb: int | None = None) -> Rows:
    """Three of four bowls fill at once; late_g: grams that leave later, of the time in s.

    carb: where they fall as drops.
    """
    t_s = np.arange(0.0, hours * 3600, 10.0)
    rng = np.random.default_rng(int(hours))
    went_g = late_g(t_s)
    mass_g = 450.0 - (3 * BOWL_G + 6) * np.clip((t_s - 300) / 240, 0, 1) - went_g
    mass_g += rng.normal(0, 0.03, len(t_s)) - 2.5 * t_s / 86400
    mass_g += np.cumsum(rng.normal(0, 0.03 * np.sqrt(10 / 3600), len(t_s)))
    drops = np.zeros((len(t_s), 4))
    if carb is not None:
        drops[1:, carb - 1] = np.diff(np.floor(went_g / 0.0146))
    return Rows(t_s, mass_g, 19.0 + 0.1 * np.sin(t_s / 9000), drops)


def told_late(record: RunRecord) -> LateFill:
    """The one late fill of a run that woke nobody and calls nothing leaking."""
    verdict = conclude(record)
    assert not record.alarms
    assert not verdict.alarms
    assert verdict.outcome is not Outcome.LEAKING
    (late,) = record.finder.fill.late.fills
    (fault,) = [fault for fault in verdict.faults if "filled late" in fault.text]
    assert fault.kind == "bump"
    assert fault.t_s == late.since_s
    return late


@pytest.mark.parametrize("told", [MEASURED, DEFAULT])
@pytest.mark.parametrize("lasts_h", [0.5, 1.0, 3.0])
def test_a_bowl_that_trickles_full_while_the_others_fill_at_once_is_no_leak(told, lasts_h):
    """Nobody is woken for it, and the soak begins after it."""
    ends_s = 300 + 3600 * lasts_h
    record = watched(
        after_three_bowls(lambda t: BOWL_G * np.clip((t - 300) / (ends_s - 300), 0, 1)), told
    )
    late = told_late(record)
    assert late.until_s == pytest.approx(ends_s, abs=600)
    # What went in before the others were full, or is too little to see any more, is not told.
    assert 0.5 * BOWL_G < late.took_g < 1.05 * BOWL_G
    assert record.soak_s > ends_s
    assert record.finder.fill.taken_g == pytest.approx(4 * BOWL_G + 6, rel=0.03)


@pytest.mark.parametrize(
    ("told", "lets_go_h"),
    [(MEASURED, 0.5), (MEASURED, 2.0), (MEASURED, 8.0), (DEFAULT, 0.5), (DEFAULT, 2.0)],
)
@pytest.mark.parametrize("minutes", [3.0, 12.0])
def test_a_needle_that_lets_go_hours_later_is_no_leak(told, lets_go_h, minutes):
    """Of bowls that nobody has measured what falls as fast as a flood is one, from 4 h on."""
    from_s = 3600 * lets_go_h
    record = watched(
        after_three_bowls(
            lambda t: BOWL_G * (1 - np.exp(-np.clip(t - from_s, 0, None) / (60 * minutes)))
        ),
        told,
    )
    late = told_late(record)
    assert late.since_s == pytest.approx(from_s, abs=900)
    assert late.took_g == pytest.approx(BOWL_G, rel=0.1)
    assert record.soak_s > from_s


@pytest.mark.parametrize("lasts_s", [60, 300])
def test_a_rack_that_holds_a_little_more_than_described_may_fill_in_two_goes(lasts_s):
    """5 % more, the last of it in minutes and after three quarters of an hour."""
    six = parse_bench("[rack]\ncarbs = 6\nbowl_volume_ml = 60.0\n").settings()
    rack_g = six.rack_g + six.hose_g
    rows = after_three_bowls(lambda t: 0.55 * rack_g * np.clip((t - 2700) / lasts_s, 0, 1))
    first_g = 0.5 * rack_g - (3 * BOWL_G + 6)
    mass_g = rows.mass_g - first_g * np.clip((rows.t_s - 300) / 240, 0, 1)
    record = watched(replace(rows, mass_g=mass_g), six)
    assert told_late(record).took_g == pytest.approx(0.55 * rack_g, rel=0.05)
    assert not [fault for fault in record.faults if "jumped" in fault.text]


def test_what_is_told_as_a_flood_is_not_told_as_a_bowl_too():
    from_s = 8 * 3600.0
    rows = after_three_bowls(lambda t: BOWL_G * (1 - np.exp(-np.clip(t - from_s, 0, None) / 720)))
    record = watched(rows, DEFAULT)
    verdict = conclude(record)
    assert record.finder.fill.late.fills
    assert [(alarm.kind, alarm.carb) for alarm in verdict.alarms] == [("flood", None)]
    assert not [fault for fault in verdict.faults if "filled late" in fault.text]


def test_a_trickle_that_begins_hours_later_is_no_leak_where_nobody_has_measured_the_bowls():
    from_s = 6 * 3600.0
    late = told_late(
        watched(after_three_bowls(lambda t: BOWL_G * np.clip((t - from_s) / 7200, 0, 1)), DEFAULT)
    )
    assert late.since_s == pytest.approx(from_s, abs=900)
    assert late.until_s == pytest.approx(from_s + 7200, abs=600)


@pytest.mark.parametrize("told", [MEASURED, DEFAULT])
@pytest.mark.parametrize("g_per_h", [9.0, 20.0, 60.0])
def test_what_no_gate_sees_is_told_once_more_than_the_bowl_is_gone(told, g_per_h):
    from_s = 2 * 3600.0
    rows = after_three_bowls(lambda t: g_per_h * np.maximum(t - from_s, 0) / 3600, hours=12)
    record = watched(replace(rows, mass_g=np.maximum(rows.mass_g, 5.0)), told)
    assert not record.finder.fill.late.fills
    assert [alarm.carb for alarm in record.alarms] == [None]
    gone_g = g_per_h * (record.alarms[0].t_s - from_s) / 3600
    assert BOWL_G < gone_g < BOWL_G + 22 + 1.5 * g_per_h
    assert conclude(record).outcome is Outcome.LEAKING


@pytest.mark.parametrize("g_per_h", [3.0, 9.0, 20.0])
def test_what_a_gate_sees_is_a_leak_though_a_bowl_is_missing(g_per_h):
    from_s = 2 * 3600.0
    rows = after_three_bowls(lambda t: g_per_h * np.maximum(t - from_s, 0) / 3600, hours=6, carb=3)
    record = watched(rows, MEASURED)
    assert not record.finder.fill.late.fills
    assert [alarm.carb for alarm in record.alarms] == [3]
    assert record.alarms[0].t_s - from_s < 3600


def test_a_slow_loss_is_none_of_a_bowl():
    """4 g/h would take seven hours: it is a leak, and told before a bowl of it is gone."""
    rows = after_three_bowls(lambda t: 4.0 * np.maximum(t - 7200.0, 0) / 3600, hours=9)
    record = watched(rows, MEASURED)
    assert [alarm.carb for alarm in record.alarms] == [None]
    assert 4.0 * (record.alarms[0].t_s - 7200.0) / 3600 < 0.6 * BOWL_G


def late_after(taken_g: float, paces: list[float], *, falls: bool = False) -> LateBowl:
    """After a fill of 100 g described, of bowls of 25 g, by the losses of the minutes after it."""
    late, log, mass_g = LateBowl(RackContent(100.0, True), 25.0), FlowLog(), 500.0
    late.settled(0.0, mass_g, taken_g)
    for minute, pace in enumerate(paces):
        mass_g -= pace
        log.add(weighed(60.0 * (minute + 1), mass_g))
        late.step(log, falls=falls)
    return late


def test_only_what_is_missing_is_excused():
    assert late_after(75.0, []).spare_g == pytest.approx(40.0)
    assert late_after(90.0, []).spare_g == 0.0
    assert LateBowl(RackContent(100.0, True), 0.0).spare_g == 0.0


def test_what_fills_a_bowl_is_told_once_it_has_ended():
    trickle = [0.0] * 60 + [0.5] * 50
    assert late_after(75.0, trickle).flow.flows
    late = late_after(75.0, trickle + [0.0] * 20)
    assert not late.flow.flows
    (fill,) = late.fills
    assert fill.took_g == pytest.approx(25.0)
    assert fill.since_s == pytest.approx(3600.0, abs=600)
    assert fill.until_s == pytest.approx(6600.0, abs=300)


def test_a_bowl_that_stops_on_its_way_may_go_on():
    half = [0.0] * 60 + [0.5] * 25 + [0.0] * 60
    late = late_after(75.0, half)
    late.settled(9000.0, 487.5, 87.5)
    assert late.spare_g == pytest.approx(27.5)
    late.settled(9000.0, 479.0, 96.0)
    assert late.spare_g == 0.0


def test_what_runs_over_is_not_told_as_a_bowl():
    late = late_after(75.0, [0.0] * 60)
    for minute, mass_g in enumerate((490.0, 460.0)):
        log = FlowLog()
        log.add(weighed(4000.0 + 60.0 * minute, mass_g))
        late.ended(log, 3600.0, 500.0)
    assert [fill.took_g for fill in late.fills] == [10.0]


def test_no_bowl_is_missing_or_too_much_goes_or_it_falls_out():
    trickle = [0.0] * 60 + [0.5] * 50
    assert not late_after(90.0, trickle).flow.flows
    assert not late_after(75.0, trickle, falls=True).flow.flows
    over = late_after(75.0, trickle + [0.5] * 40)
    assert not over.flow.flows
    assert over.spare_g == 0.0
    assert not over.fills


def test_the_first_minutes_of_it_are_not_weighed_yet():
    late, log = late_after(75.0, []), FlowLog()
    assert not late.begins(log)
    for minute in range(5):
        log.add(weighed(60.0 * minute, 500.0 - max(minute - 3, 0) * 0.5))
    assert late.begins(log)
    assert math.isnan(late.flow.since_s)


@pytest.mark.parametrize("told", [MEASURED, DEFAULT])
@pytest.mark.parametrize("pause_h", [0.0, 0.8])
def test_what_trickles_on_beyond_the_time_of_any_bowl_wakes_somebody(told, pause_h):
    """A fill that began before its record looks short of bowls, whatever leaks after it."""
    short_g = 2 * BOWL_G

    def went_g(t):
        flowing_s = np.maximum(t - 600, 0) - np.clip(t - 4 * 3600, 0, 3600 * pause_h)
        return 7.0 / 3600 * flowing_s - short_g * np.clip((t - 300) / 240, 0, 1)

    rows = after_three_bowls(went_g, hours=12.0)
    shut = (rows.t_s > 4 * 3600) & (rows.t_s < (4 + pause_h) * 3600)
    record = watched(replace(rows, feed_open=np.where(shut, 0.0, 1.0)), told)
    assert conclude(record).outcome is Outcome.LEAKING
    assert record.alarms[0].carb is None
    assert record.alarms[0].t_s < (7.0 + pause_h) * 3600


@pytest.mark.parametrize(("lasts_min", "begins"), [(10, False), (60, True)])
def test_a_cell_that_goes_down_by_a_digit_fills_no_bowl(lasts_min, begins):
    """It reads whole grams: between two of them it wavers for ten minutes, and stands again."""
    late, log, mass_g, flowed = LateBowl(RackContent(100.0, True), 25.0), FlowLog(), 500.0, False
    late.settled(0.0, mass_g, 75.0)
    for minute, pace in enumerate([0.0] * 60 + [0.1] * lasts_min + [0.0] * 30):
        mass_g -= pace
        log.add(weighed(60.0 * (minute + 1), mass_g))
        flowed |= late.step(log, falls=False)
    assert flowed == begins
