"""The end of a soak: all that is written down of it."""

from __future__ import annotations

import logging

from soakmon.bench.curve_snapshot import MOST_POINTS, curve_snapshot
from soakmon.bench.session import Session
from soakmon.records.curve_form import CurveSnapshot
from soakmon.records.events import PhaseChange, Recorded
from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.decision import Decision

log = logging.getLogger(__name__)


def events_of_end(session: Session, decision: Decision) -> list[Recorded]:
    """All that the journal is given at the end, in order.

    The decider is gone after a restart: what the page draws must not be.
    """
    try:
        curve = curve_snapshot(session, MOST_POINTS)
    except Exception:  # a picture is no reason to have no verdict
        log.exception("the curve cannot be drawn")
        curve = CurveSnapshot(t_s=())
    end = PhaseChange(phase=session.phase, reason=session.reason)
    return [end, VerdictForm.of(decision.verdict), curve]
