import json

import pytest

from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.budget import Budget
from soakmon.watch.verdict import Alarm, Band, Cause, Fault, Outcome, Suspect, Verdict


def test_verdict_json_has_the_fixed_form():
    verdict = Verdict(
        Outcome.LEAKING,
        "weep at carb 2",
        86400.0,
        5.12345,
        Band(3.9, 2.9, 5.2),
        Band(0.05, 0.02, 0.08),
        0.06,
        (0, 3, 0, 0),
        (Alarm(5120.04, "weep", 2, 1.4, "weep", "a code of the bench"),),
        (Suspect(Cause.BOWL_JOINT_WEEP, 2, 0.83), Suspect(Cause.NO_LEAK, None, 0.17)),
        (Fault(100.0, "bump", "bumped"),),
    )
    form = json.loads(json.dumps(VerdictForm.of(verdict).as_dict()))
    assert list(form) == [
        "schema",
        "verdict",
        "reason",
        "duration_s",
        "observed_loss_g",
        "expected_evaporation_g",
        "leak_g_per_h",
        "smallest_provable_leak_g_per_h",
        "drops",
        "alarms",
        "suspects",
        "faults",
        "leaks",
        "caught_g",
    ]
    assert form["schema"] == "soakmon.verdict/1"
    assert form["verdict"] == "leaking"
    assert form["observed_loss_g"] == 5.123
    assert form["alarms"][0] == {
        "t_s": 5120.0,
        "kind": "weep",
        "carb": 2,
        "leak_g_per_h": 1.4,
        "text": "weep",
    }
    assert form["suspects"][0]["cause"] == "bowl_joint_weep"


@pytest.mark.parametrize("gates", [0, 1, 4, 8])
def test_the_shares_of_the_budget_are_the_budget(gates):
    budget = Budget(0.01, gates)
    parts = [budget.weep_mass, budget.running, budget.closing, budget.balance]
    # What is not given out makes false alarms rarer than they may be, never more frequent.
    assert 0.0065 <= sum(parts) + gates * budget.weep_gate <= 0.01 + 1e-12
