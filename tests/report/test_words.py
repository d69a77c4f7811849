"""What the report says of counts: a gate that was blind has counted nothing, not none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.records.verdict_form import VerdictForm
from soakmon.report.rack import rack, svg
from soakmon.report.words import drops
from soakmon.watch.decide import decide
from soakmon.watch.settings import DESCRIBED, Settings
from tests.watch.nights import night


def blind_at(carb: int):
    """A quiet soak in which one gate gave no counts."""
    rows = night(1, hours=6, spacing_s=60.0)
    counts = rows.drops.copy()
    counts[:, carb - 1] = np.nan
    return decide(replace(rows, drops=counts), Settings(priors=DESCRIBED), phase="soaking")


def test_a_blind_gate_is_said_to_have_counted_nothing_known():
    decision = blind_at(3)
    assert drops(decision.verdict) == "carb 1: 0, carb 2: 0, carb 3: ?, carb 4: 0"
    assert svg(rack(decision, 4)).count(">?</text>") == 1


def test_the_gate_of_a_fault_is_kept_with_the_verdict():
    verdict = blind_at(3).verdict
    (fault,) = (one for one in verdict.faults if one.kind == "gate_stuck")
    assert fault.carb == 3
    again = VerdictForm.model_validate(VerdictForm.of(verdict).as_dict()).to_verdict()
    assert drops(again) == drops(verdict)
    knock = replace(fault, kind="bump", carb=None)
    told = VerdictForm.of(replace(verdict, faults=(knock,))).as_dict()["faults"]
    assert set(told[0]) == {"t_s", "kind", "text"}
