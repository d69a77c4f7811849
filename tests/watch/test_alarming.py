"""What gives alarm beside the sequential tests, and which alarms a fill does away with."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch.alarming import accounted_g_per_h, new_alarms, of_fill
from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.record import RunRecord
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Alarm, Band, leak_alarm
from tests.watch.nights import BENCH, night
from tests.watch.nights import DROP_G as FALLS_G

DROP_G = 0.01


def accounted(*, counted: int, steady: float, lost_g: float, unsure_g: float = 0.5) -> float:
    """The rate that drops at a gate of a soak of ten hours account for, g/h."""
    tally = SimpleNamespace(since=lambda *_: counted, steady=lambda *_: steady)
    band = Band(3.0, 3.0 - unsure_g / 2, 3.0 + unsure_g / 2)
    curve = SimpleNamespace(expected=lambda: band, observed_g=lambda: 3.0 + lost_g)
    record = SimpleNamespace(tally=tally, curve=curve, soak_s=0.0, last_row_s=36000.0)
    return accounted_g_per_h(record, SimpleNamespace(drop_g=[DROP_G]), 0)


def test_drops_account_for_just_what_the_bottle_lost_beyond_evaporation():
    assert accounted(counted=500, steady=490.0, lost_g=5.0) == pytest.approx(0.5)
    assert accounted(counted=500, steady=490.0, lost_g=15.0) == 0.0
    assert accounted(counted=500, steady=490.0, lost_g=0.0) == 0.0


def test_bursts_few_grams_and_an_unsure_evaporation_account_for_nothing():
    assert accounted(counted=500, steady=300.0, lost_g=5.0) == 0.0
    assert accounted(counted=190, steady=190.0, lost_g=1.9) == 0.0
    assert accounted(counted=500, steady=490.0, lost_g=5.0, unsure_g=20.0) == 0.0


def test_what_has_alarmed_gives_no_alarm_again():
    record = watched(night(1, leak_g_per_h=1.0, carb=3, hours=3.0), BENCH, phase="soaking")
    assert [alarm.carb for alarm in record.alarms] == [3]
    assert new_alarms(record, record.weep) == []
    again = new_alarms(replace(record, alarms=()), record.weep)
    assert [(alarm.kind, alarm.carb) for alarm in again] == [("weep", 3)]


@pytest.mark.parametrize(
    ("alarm", "stays"),
    [
        (leak_alarm(4000.0, "flood", 2, 300.0), True),  # overflowed before the fill was plain
        (leak_alarm(3500.0, "flood", 2, 300.0), False),
        (leak_alarm(4999.0, "flood", None, 300.0), False),
        (leak_alarm(4999.0, "weep", 2, 1.0), False),
        (leak_alarm(5001.0, "weep", 2, 1.0), True),
    ],
)
def test_a_fill_does_away_with_what_was_called_in_the_quiet_before_it(alarm: Alarm, stays: bool):
    assert of_fill([alarm], 5000.0, 5000.0) == ([alarm] if stays else [])


@pytest.mark.parametrize(
    ("seed", "creeps_g", "over_s"),
    [(1, 1.2, 600.0), (3, 1.2, 600.0), (4, 1.5, 900.0), (5, 1.5, 900.0)],
)
def test_a_cell_that_creeps_as_some_do_wakes_nobody(seed, creeps_g, over_s):
    # Cells creep by up to 0.7 % of the load, here 2.3 g.
    rows = night(seed, hours=5.0)
    creep_g = creeps_g * (1 - np.exp(-rows.t_s / over_s))
    record = watched(replace(rows, mass_g=rows.mass_g - creep_g), BENCH, phase="soaking")
    assert record.alarms == ()


def needle_that_weeps(seed: int, *, counts_beside: bool = True) -> RunRecord:
    """1 g/h goes from the start; from the sixth hour on it drips, unevenly, and some are missed."""
    rows = night(seed, leak_g_per_h=1.0, spacing_s=2.0)
    rng = np.random.default_rng(seed)
    drops = rows.drops.copy()
    falls_s = 6 * 3600 + np.cumsum(rng.gamma(2.0, 3600 * FALLS_G / 2.0, 1100))
    if counts_beside:
        falls_s = falls_s[(rng.random(len(falls_s)) > 0.3) & (falls_s < rows.t_s[-1])]
        np.add.at(drops, (np.searchsorted(rows.t_s, falls_s), 1), 1.0)
    return watched(replace(rows, drops=drops), Settings(), phase="soaking")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_gate_that_drips_unevenly_beside_a_known_loss_is_named(seed):
    record = needle_that_weeps(seed)
    assert 2 in {alarm.carb for alarm in record.alarms}
    (leak,) = conclude(record).leaks
    assert leak.carb == 2
    assert leak.leak_g_per_h.low < 1.0 < leak.leak_g_per_h.high


def test_a_loss_beside_a_gate_that_counts_nothing_like_it_is_of_no_carb():
    record = needle_that_weeps(1, counts_beside=False)
    (leak,) = conclude(record).leaks
    assert leak.carb is None
    # Sun: hundreds of counts in half an hour, then none.
    rows = night(1, leak_g_per_h=1.0, spacing_s=2.0)
    drops = rows.drops.copy()
    drops[20_000:20_900, 1] = np.random.default_rng(1).integers(0, 6, 900)
    sunny = watched(replace(rows, drops=drops), Settings(), phase="soaking")
    assert {leak.carb for leak in conclude(sunny).leaks} == {None}


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_a_drip_between_rows_of_two_minutes_is_named_on_a_cell_that_wanders(seed):
    """One g/h from hour 22 on, a third of its drops lost; the cell wanders by 0.4 g in an hour."""
    rows = night(seed, hours=30, spacing_s=120.0)
    rng = np.random.default_rng(seed)
    out_g = 1.05 * np.maximum(rows.t_s / 3600 - 22.5, 0)
    drops = rows.drops.copy()
    drops[1:, 0] = rng.binomial(np.diff(np.floor(out_g / FALLS_G)).astype(int), 0.66)
    wanders_g = np.cumsum(rng.normal(0, 0.4 * np.sqrt(1 / 30), len(rows)))
    record = watched(
        replace(rows, mass_g=rows.mass_g - out_g + wanders_g, drops=drops), BENCH, phase="soaking"
    )
    (alarm,) = record.alarms
    assert alarm.carb == 1
    assert alarm.t_s < 25.5 * 3600
    (leak,) = conclude(record).leaks
    assert leak.leak_g_per_h.low < 1.05 < leak.leak_g_per_h.high


@pytest.mark.parametrize("spacing_s", [60.0, 120.0])
@pytest.mark.parametrize("per_h", [20, 43])
def test_as_many_counts_at_random_over_a_bottle_that_loses_nothing_name_nobody(spacing_s, per_h):
    rows = night(2, hours=24, spacing_s=spacing_s)
    drops = rows.drops.copy()
    comes = np.where(rows.t_s > 14 * 3600, per_h * spacing_s / 3600, 0.0)
    drops[:, 0] = np.random.default_rng(2).poisson(comes)
    assert watched(replace(rows, drops=drops), BENCH, phase="soaking").alarms == ()


def test_an_hour_of_sun_that_weighs_what_is_lost_elsewhere_names_nobody():
    """1.2 g/day leak unseen for 30 h; half an hour of sun makes as many counts as that weighs."""
    rows = night(6, hours=30, leak_g_per_h=0.1, evaporation=1.1)
    sun = (rows.t_s > 5 * 3600) & (rows.t_s < 5.5 * 3600)
    drops = rows.drops.copy()
    drops[sun, 1] = np.random.default_rng(6).poisson(3.0 / FALLS_G / sun.sum(), sun.sum())
    record = watched(replace(rows, drops=drops), BENCH, phase="soaking")
    assert {leak.carb for leak in conclude(record).leaks} <= {None}
