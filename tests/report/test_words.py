"""What the report says of counts: a gate that was blind has counted nothing, not none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.records.verdict_form import VerdictForm
from soakmon.report.rack import rack, svg
from soakmon.report.words import drops, suspects
from soakmon.watch.decide import decide
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Band, Cause, Leak, Outcome, Suspect
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
    drawn = svg(rack(decision, 4))
    assert drawn.count(">?</text>") == drawn.count(">gate blind</text>") == 1
    assert decision.verdict.reason.startswith("gate 3 did not work: ")


def test_the_gate_of_a_fault_is_kept_with_the_verdict():
    verdict = blind_at(3).verdict
    (fault,) = (one for one in verdict.faults if one.kind == "gate_stuck")
    assert fault.carb == 3
    again = VerdictForm.model_validate(VerdictForm.of(verdict).as_dict()).to_verdict()
    assert drops(again) == drops(verdict)
    knock = replace(fault, kind="bump", carb=None)
    told = VerdictForm.of(replace(verdict, faults=(knock,))).as_dict()["faults"]
    assert set(told[0]) == {"t_s", "kind", "text"}


def test_causes_of_two_leaks_are_each_leaks_own():
    found = (
        Suspect(Cause.BOWL_JOINT_WEEP, 4, 0.4), Suspect(Cause.BOWL_JOINT_WEEP, 1, 0.3),
        Suspect(Cause.RAIL_JOINT_WEEP, 1, 0.2), Suspect(Cause.NEEDLE_WEEP, 4, 0.1),
    )  # fmt: skip
    leak = Leak(1, Band(0.1, 0.2, 0.3), (0.0, 60.0), None, None)
    two = replace(blind_at(3).verdict, suspects=found, leaks=(leak, replace(leak, carb=4)))
    joint, rail, needle = (
        "bowl gasket or drain plug weeping", "fuel rail joint weeping", "needle and seat weeping"
    )  # fmt: skip
    assert suspects(two) == (
        f"80 %  carb 4: {joint}", f"60 %  carb 1: {joint}", f"40 %  carb 1: {rail}",
        f"20 %  carb 4: {needle}",
    )  # fmt: skip
    one = replace(two, leaks=(leak,))
    assert suspects(one)[0] == f"40 %  carb 4: {joint}"


def test_a_list_of_carbs_reads_as_one():
    verdict = decide(night(1, hours=6, spacing_s=60.0), Settings(priors=DESCRIBED)).verdict
    counted = replace(verdict, outcome=Outcome.TIGHT, drops=(1, 2, 3, 0))
    assert drops(counted).endswith("counted at carb 1, 2 and 3 is not believed to be fuel)")
    assert drops(replace(counted, drops=(0, 0, 3, 0))).endswith(
        "at carb 3 is not believed to be fuel)"
    )
