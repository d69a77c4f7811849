"""A decision is a function of the record that the decider hands out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from soakmon.watch.decide import decide, watched
from soakmon.watch.decision import decision_of
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Outcome
from tests.watch.nights import BENCH, night

ROWS = night(1, hours=2.0)


def test_it_holds_verdict_phases_and_curve_of_its_record():
    record = watched(ROWS, BENCH, phase="soaking")
    made = decision_of(record)
    assert made.phases == ((Phase.SOAKING, 0.0),)
    assert made.verdict.outcome == Outcome.NOT_PROVEN
    assert made.verdict.duration_s == record.last_s - record.start_s
    # A minute's mean each, and the curve knows nothing from before the soak.
    assert len(made.curve.t_s) == pytest.approx(120, abs=3)
    assert made.curve.mass_loss_g[0] == pytest.approx(0.0, abs=0.1)
    # Two hours show little of a cell; gates of a whole run, their counts by the hour.
    assert made.traits.cell is None
    assert [one.counts for one in made.traits.gates] == [(0,)] * 4


def test_deciding_changes_nothing_in_the_record():
    record = watched(ROWS, BENCH, phase="soaking")
    first, second = decision_of(record), decision_of(record)
    assert replace(first, curve=second.curve) == second


def test_progress_is_told_until_the_record_is_read():
    told: list[float] = []
    decide(night(1, hours=6.0, spacing_s=5.0), BENCH, phase="soaking", progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) == 2
