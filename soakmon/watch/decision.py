"""A decision: the verdict on a run with what it was made from."""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.watch.conclude import conclude
from soakmon.watch.curve import Curve
from soakmon.watch.record import RunRecord
from soakmon.watch.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict with what it was made from: phases (name, start t_s) and the curve."""

    verdict: Verdict
    phases: tuple[tuple[str, float], ...]
    curve: Curve


def decision_of(record: RunRecord) -> Decision:
    """Verdict, phases and curve so far."""
    return Decision(conclude(record), record.phases, record.curve.curve())
