"""The picture of a soak as plain values, as it runs and, after its end, out of the journal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from soakmon.bench.session import Session
from soakmon.records.curve_form import Column, CurveLanes, CurveSnapshot
from soakmon.records.events import all_of
from soakmon.records.readable import blind_stretches, readable
from soakmon.records.verdict_form import LeakForm
from soakmon.watch.curve import Curve
from soakmon.watch.figures import rounded

if TYPE_CHECKING:
    from soakmon.records.journal import Journal

MOST_POINTS = 500
_MOST_TICKS = 400


def curve_snapshot(session: Session, points: int, after_s: float = -math.inf) -> CurveSnapshot:
    """The picture of at most about twice so many points, and the lanes.

    Loss, what evaporation alone takes (best, low, high), between what the reading of a tight rack
    may be, the shop. Before the soak's clock has started, what the bottle has given since the feed
    was opened first, without a band: a flood while the bowls fill has a picture too. after_s: only
    points and drops after that time, for who has the others.
    """
    curve = _curve(session)
    columns = _columns(curve, points) if len(curve.t_s) else _early(session, points)
    whole = CurveSnapshot.model_validate({**columns, "lanes": _lanes(session, curve)})
    return whole.after(after_s)


def _columns(curve: Curve, points: int) -> dict[str, Column]:
    columns = {
        "t_s": curve.t_s, "mass_loss_g": curve.mass_loss_g, "best_g": curve.best_g,
        "low_g": curve.low_g, "high_g": curve.high_g, "reads_low_g": curve.reads_low_g,
        "reads_high_g": curve.reads_high_g, "air_c": curve.air_c,
    }  # fmt: skip
    step = max(len(curve.t_s) // points, 1)
    return {
        # As the verdict is rounded, so that no number differs from it.
        name: tuple(rounded(value, 3) for value in column[::step].tolist())
        for name, column in columns.items()
    }


def _curve(session: Session) -> Curve:
    return readable(session.learnt.curve.curve(), session.decider.follower.faults)


def _lanes(session: Session, curve: Curve) -> CurveLanes:
    """What the gates have seen; of many drops some stand for all."""
    record = session.learnt
    tally = record.tally
    caught_g = record.caught_g or (math.nan,) * tally.gates
    leaks = session.decision.verdict.leaks if session.decision is not None else ()
    return CurveLanes(
        drops=tuple(
            tuple(round(t_s, 1) for t_s in times[:: math.ceil(len(times) / _MOST_TICKS) or 1])
            for times in tally.times
        ),
        counted=tuple(tally.total),
        caught_g=tuple(rounded(caught, 3) for caught in caught_g),
        leaks=tuple(map(LeakForm.of, leaks)),
        blind=tuple(
            tuple(map(round, each)) for each in blind_stretches(curve.t_s, curve.mass_loss_g)
        ),
    )


def _early(session: Session, points: int) -> dict[str, Column]:
    masses = session.learnt.masses
    # A rack that fills anew keeps the picture of what was before.
    opened_s = session.first_opened_s if session.first_opened_s is not None else math.inf
    times = np.array(masses.times_s)
    since = times >= opened_s - 60
    if since.sum() < 2:
        return {"t_s": ()}
    mass_g = np.array(masses.masses_g)[since]
    step = max(int(since.sum()) // points, 1)
    return {
        "t_s": times[since][::step].round(1).tolist(),
        "taken_g": (mass_g[0] - mass_g)[::step].round(3).tolist(),
    }


def stored_snapshot(journal: Journal, soak: int) -> CurveSnapshot | None:
    """The picture that was kept when the soak ended; None when there is none."""
    events = all_of(CurveSnapshot, journal.read_events(soak))
    return events[-1] if events else None
