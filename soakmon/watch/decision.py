"""A decision: the verdict on a run with what it was made from."""

from __future__ import annotations

from dataclasses import dataclass, field

from soakmon.watch.conclude import conclude
from soakmon.watch.curve import Curve
from soakmon.watch.record import RunRecord
from soakmon.watch.traits import Traits, traits_of
from soakmon.watch.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict with what it was made from: phases (name, start t_s) and the curve.

    traits: what the run has shown of cell and gates.
    """

    verdict: Verdict
    phases: tuple[tuple[str, float], ...]
    curve: Curve
    traits: Traits = field(default_factory=Traits)


def decision_of(record: RunRecord) -> Decision:
    """Verdict, phases and curve so far."""
    verdict = conclude(record)
    return Decision(verdict, record.phases, record.curve.curve(), traits_of(record, verdict.alarms))
