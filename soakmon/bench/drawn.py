"""The curve of a soak as plain columns, as it runs and, after its end, out of the journal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakmon.bench.session import Session
from soakmon.bench.status import number

if TYPE_CHECKING:
    from soakmon.records.journal import Journal

EVENT = "curve"
KEPT_POINTS = 500

Columns = dict[str, list[float | None]]


def columns(session: Session, points: int) -> Columns:
    """Loss and evaporation band of a soak, g over s; at most about twice so many points."""
    curve = session.decider.curve.curve()
    step = max(len(curve.t_s) // points, 1)
    found = {
        "t_s": curve.t_s, "mass_loss_g": curve.mass_loss_g, "best_g": curve.best_g,
        "low_g": curve.low_g, "high_g": curve.high_g,
    }  # fmt: skip
    return {
        name: [number(value, 4) for value in column[::step].tolist()]
        for name, column in found.items()
    }


def kept(journal: Journal, soak: int) -> Columns | None:
    """The curve that was kept when the soak ended; None when there is none."""
    found = [event for event in journal.read_events(soak) if event.kind == EVENT]
    return found[-1].data if found else None
