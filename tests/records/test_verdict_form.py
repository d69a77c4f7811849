"""A verdict read back is the one that was written, whichever version wrote it."""

from __future__ import annotations

import json
import math

import pytest

from soakmon.records.verdict_form import BandForm, VerdictForm
from soakmon.watch.decide import decide
from soakmon.watch.verdict import Cause, Outcome
from tests.watch.nights import BENCH, night


@pytest.fixture(scope="module")
def verdict():
    rows = night(1, leak_g_per_h=1.0, carb=3, hours=3.0)
    return decide(rows, BENCH, phase="soaking").verdict


def test_what_is_read_back_is_written_the_same(verdict):
    line = VerdictForm.of(verdict).as_line()
    again = VerdictForm.model_validate_json(line)
    assert again.as_line() == line
    assert again.to_verdict().outcome is verdict.outcome
    assert VerdictForm.of(again.to_verdict()).as_line() == line


def test_it_is_json_of_its_schema_with_limits_rounded_outwards(verdict):
    form = json.loads(VerdictForm.of(verdict).as_line())
    assert next(iter(form.items())) == ("schema", "soakmon.verdict/1")
    band, leak = form["leak_g_per_h"], verdict.leak_g_per_h
    assert band["low"] <= leak.low <= band["low"] + 1e-4
    assert band["high"] - 1e-4 <= leak.high <= band["high"]
    assert sum(one["probability"] for one in form["suspects"]) == pytest.approx(1)


def test_a_verdict_of_an_earlier_version_tells_no_leaks_and_gets_none():
    earlier = {"schema": "soakmon.verdict/1", "verdict": "tight", "reason": "dry", "drops": [0]}
    form = VerdictForm.model_validate(earlier)
    assert form.as_dict() == earlier
    assert form.to_verdict().leaks == ()
    assert form.to_verdict().outcome is Outcome.TIGHT


def test_keys_of_a_later_version_are_passed_over():
    later = {"verdict": "leaking", "suspects": [
        {"cause": "needle_weep", "carb": 2, "probability": 1.0, "since": "then"}], "more": 1,
    }  # fmt: skip
    (suspect,) = VerdictForm.model_validate(later).to_verdict().suspects
    assert (suspect.cause, suspect.carb) == (Cause.NEEDLE_WEEP, 2)


def test_another_schema_or_an_unknown_outcome_is_no_verdict():
    with pytest.raises(ValueError, match="schema"):
        VerdictForm.model_validate({"schema": "soakmon.verdict/2", "verdict": "tight"})
    with pytest.raises(ValueError, match="verdict"):
        VerdictForm.model_validate({"verdict": "perhaps"})


def test_what_is_not_known_is_null_and_nan():
    band = BandForm(best=1.0, low=None, high=None).band()
    assert band.best == 1.0
    assert math.isnan(band.low)
    assert math.isnan(band.high)
