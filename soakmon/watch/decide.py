"""Decides over a recorded run, as the service decides over a running one."""

from __future__ import annotations

from collections.abc import Callable

from soakmon.physics.belief import effort
from soakmon.watch.decider import Decider
from soakmon.watch.decision import Decision, decision_of
from soakmon.watch.phase import Phase
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings

# A record is taken in pieces; no result depends on it.
_PIECE = effort(3600, "rows")


def watched(
    rows: Rows,
    settings: Settings,
    *,
    phase: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> RunRecord:
    """What is learnt of a whole recorded run. phase="soaking": it starts after filling."""
    decider = Decider(settings, rows.gates, already_soaking=phase == str(Phase.SOAKING))
    for start in range(0, len(rows), _PIECE):
        decider.push(rows.part(start, start + _PIECE))
        if progress is not None:
            progress(min((start + _PIECE) / len(rows), 1.0))
    decider.finish()
    return decider.record()


def decide(
    rows: Rows,
    settings: Settings,
    *,
    phase: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Decision:
    """Decide over a recorded run. phase="soaking": it starts after filling."""
    return decision_of(watched(rows, settings, phase=phase, progress=progress))
