"""The decider as readings come in: what is begun, restarted and raised, and when."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.decider import Decider
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm
from tests.watch.nights import BENCH, night
from tests.watch.test_filling import filled

SHORT = night(1, hours=2.0)


def decider_of(rows: Rows, *, soaking: bool = True) -> Decider:
    decider = Decider(BENCH, rows.gates, already_soaking=soaking)
    decider.push(rows)
    return decider


def test_no_rows_are_no_reading():
    decider = decider_of(SHORT.part(0, 0))
    assert math.isnan(decider.start_s)
    assert decider.record().weep is None


def test_times_are_those_of_first_and_last_row():
    decider = decider_of(SHORT)
    assert (decider.start_s, decider.last_row_s) == (SHORT.t_s[0], SHORT.t_s[-1])
    # The last minute waits until it is whole, or the run is over.
    assert SHORT.t_s[-1] - 120 < decider.last_s <= SHORT.t_s[-1]
    decider.finish()
    assert decider.record().finished
    assert decider.last_s == pytest.approx(SHORT.t_s[-1], abs=1.0)


def test_a_record_that_starts_after_filling_is_weighed_at_once():
    decider = decider_of(SHORT)
    assert decider.phases == [(Phase.SOAKING, 0.0)]
    assert decider.mass_running
    assert decider.soak_s < 200


def test_after_a_fill_the_gates_count_at_once_and_the_mass_once_it_has_settled():
    rows = filled(night(2, hours=3.0), begins_s=1200.0, g_per_min=60.0)
    decider = Decider(BENCH, 4)
    listens_s, weighed_s = [], []
    for start in range(0, len(rows), 12):
        decider.push(rows.part(start, start + 12))
        if decider.weep is not None and decider.finder.phase != Phase.IDLE:
            (weighed_s if decider.mass_running else listens_s).append(decider.last_s)
    phases = dict(decider.phases)
    assert list(phases) == [Phase.IDLE, Phase.FILLING, Phase.SETTLING, Phase.SOAKING]
    assert weighed_s[0] - listens_s[0] == pytest.approx(BENCH.settle_s, abs=180.0)
    assert decider.soak_s == phases[Phase.SOAKING]
    # What the rack took is no loss of the soak.
    assert decider.curve.observed_g() < 1.0


def test_a_fill_starts_again_what_was_counted_in_the_quiet_before_it():
    rows = filled(night(2, hours=2.0), begins_s=2400.0, g_per_min=60.0)
    drops = rows.drops.copy()
    drops[[100, 200, 300], 1] = 1.0
    decider = decider_of(replace(rows, drops=drops), soaking=False)
    assert decider.tally.total == [0, 0, 0, 0]
    assert decider_of(replace(rows, drops=drops).part(0, 400), soaking=False).tally.total[1] == 3


def test_a_place_is_alarmed_once_of_a_kind():
    decider = decider_of(SHORT)
    weep, flood = Alarm(1.0, "weep", 1, 1.0, ""), Alarm(3.0, "flood", 1, 90.0, "")
    for alarm in (weep, replace(weep, t_s=2.0), flood, replace(weep, carb=2)):
        decider._alarm(alarm)
    assert [(one.t_s, one.kind, one.carb) for one in decider.alarms] == [
        (1.0, "weep", 1),
        (3.0, "flood", 1),
        (1.0, "weep", 2),
    ]


@pytest.mark.parametrize("rows_at_once", [1, 7, 500])
def test_nothing_depends_on_how_many_rows_come_at_once(rows_at_once):
    rows = night(3, leak_g_per_h=4.0, carb=3, hours=0.6)
    whole, pieces = decider_of(rows), Decider(BENCH, 4, already_soaking=True)
    for start in range(0, len(rows), rows_at_once):
        pieces.push(rows.part(start, start + rows_at_once))
    for one in (whole, pieces):
        one.finish()
    assert pieces.alarms == whole.alarms
    assert pieces.decision().verdict == whole.decision().verdict


def test_drops_with_the_feed_shut_are_counted_and_no_evidence_of_a_known_leak():
    rows = night(3, leak_g_per_h=6.0, carb=3, hours=1.5)
    decider = decider_of(rows.part(0, 800))
    assert [alarm.carb for alarm in decider.alarms] == [3]
    heard = decider.weep.gates[2].count + len(decider.weep.company.waiting[2])
    later = replace(rows.part(800, len(rows)), feed_open=np.zeros(len(rows) - 800))
    decider.push(later)
    assert decider.tally.total[2] == int(np.nansum(rows.drops[:, 2]))
    # Some still waited for their company when the feed was shut.
    assert decider.weep.gates[2].count + len(decider.weep.company.waiting[2]) == heard
