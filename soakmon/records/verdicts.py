"""A verdict as it was written down, read back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.errors import named
from soakmon.records.verdict_form import VerdictForm
from soakmon.texts import say
from soakmon.watch.curve import Curve
from soakmon.watch.decision import Decision
from soakmon.watch.verdict import Band, Outcome, Verdict


def unjudged(t_s: float, gates: int, error: Exception) -> Decision:
    """The decision on readings at which the program fails: a soak ends with a verdict all the same.

    t_s: when it ended.
    """
    reason = say("verdicts.program_failed", error=named(error))
    nothing, none = Band(0.0, 0.0, 0.0), np.zeros(0)
    verdict = Verdict(
        Outcome.NOT_PROVEN, reason, t_s, None, nothing, nothing, None, (0,) * gates, (), (), ()
    )
    return Decision(verdict, (), Curve(none, none, none, none, none))


def as_written(decision: Decision) -> Decision:
    """The same with the verdict's numbers as the JSON has them, so that a report says the same."""
    return replace(decision, verdict=VerdictForm.of(decision.verdict).to_verdict())


def same_result(first: Verdict, other: Verdict) -> bool:
    """Whether two verdicts agree as they are written, but for when an alarm was raised.

    The bench judges second by second; judged afterwards, in minutes, alarms come up to one later.
    """

    def bare(verdict: Verdict) -> VerdictForm:
        form = VerdictForm.of(verdict)
        alarms = tuple(alarm.model_copy(update={"t_s": 0.0}) for alarm in form.alarms)
        return form.model_copy(update={"alarms": alarms})

    return bare(first) == bare(other)
