"""Every cause is weighed, and told in words, wherever causes are."""

from __future__ import annotations

import pytest

from soakmon.report.advice import next_steps
from soakmon.report.words import CAUSES
from soakmon.texts import texts
from soakmon.watch.causes import Evidence, likelihood, rank
from soakmon.watch.decay import PARTS, Shut
from soakmon.watch.verdict import Band, Cause, Outcome, Suspect, Verdict

LEAKS = [cause for cause in Cause if cause is not Cause.NO_LEAK]
AT_A_GATE = Shut(20, 1.0, 1.0, (1,) * PARTS, 0.0146, 0.015, 6.0)


def seen(carb: int | None, delay_h: float, shut: Shut | None = None) -> Evidence:
    return Evidence(carb, 1.0, 15.0, delay_h, False, shut=shut)


def found(cause: Cause) -> Verdict:
    none = Band(0.0, 0.0, 0.0)
    suspects = (Suspect(cause, 1, 1.0),)
    return Verdict(
        Outcome.LEAKING, "leak", 3600.0, 1.0, none, none, None, (20,), (), suspects, ()
    )  # fmt: skip


@pytest.mark.parametrize("cause", LEAKS)
def test_a_cause_is_told_in_words_on_page_and_paper(cause):
    assert texts()[f"cause_{cause.value}"]
    assert CAUSES[cause]
    assert len(next_steps(found(cause))) > 1, "no advice what to look at"


@pytest.mark.parametrize("delay_h", [0.2, 1.5, 6.0])
def test_every_suspect_is_weighed_however_it_showed(delay_h):
    suspects = rank([seen(1, delay_h), seen(None, delay_h)], 0.2, bowls_short=1)
    assert {one.cause for one in suspects} == set(Cause)
    assert sum(one.probability for one in suspects) == pytest.approx(1.0)
    at_a_gate = {one.cause for one in suspects if one.carb == 1} - {Cause.NEEDLE_STUCK_SHUT}
    assert all(likelihood(cause, seen(1, delay_h, AT_A_GATE)) > 0 for cause in at_a_gate)
