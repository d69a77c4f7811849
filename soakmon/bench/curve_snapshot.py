"""The picture of a soak as plain values, as it runs and, after its end, out of the journal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from soakmon.bench.session import Session
from soakmon.records.readable import blind_stretches, readable
from soakmon.records.verdict_form import LeakForm
from soakmon.watch.curve import Curve
from soakmon.watch.figures import rounded

if TYPE_CHECKING:
    from soakmon.records.journal import Journal

EVENT = "curve"
KEPT_POINTS = 500
_MOST_TICKS = 400

CurveSnapshot = dict[str, Any]


def curve_snapshot(session: Session, points: int, after_s: float = -math.inf) -> CurveSnapshot:
    """Columns over t_s, in g and °C, of at most about twice so many points, and the lanes.

    Loss, what evaporation alone takes (best, low, high), between what the reading of a tight rack
    may be, the shop. Before the soak's clock has started, what the bottle has given since the feed
    was opened first, without a band: a flood while the bowls fill has a picture too. after_s: only
    points and drops after that time, for who has the others.
    """
    found = _all(session, points)
    later = [place for place, t_s in enumerate(found["t_s"]) if t_s > after_s]
    first = later[0] if later else len(found["t_s"])
    since = {name: column[first:] for name, column in found.items()}
    told = lanes(session)
    told["drops"] = [[t_s for t_s in times if t_s > after_s] for times in told["drops"]]
    return since | {"lanes": told}


def _all(session: Session, points: int) -> CurveSnapshot:
    curve = _curve(session)
    if not len(curve.t_s):
        return _early(session, points)
    found = {
        "t_s": curve.t_s, "mass_loss_g": curve.mass_loss_g, "best_g": curve.best_g,
        "low_g": curve.low_g, "high_g": curve.high_g, "reads_low_g": curve.reads_low_g,
        "reads_high_g": curve.reads_high_g, "air_c": curve.air_c,
    }  # fmt: skip
    step = max(len(curve.t_s) // points, 1)
    return {
        # As the verdict is rounded, so that no number differs from it.
        name: [rounded(value, 3) for value in column[::step].tolist()]
        for name, column in found.items()
    }


def _curve(session: Session) -> Curve:
    return readable(session.learnt.curve.curve(), session.decider.follower.faults)


def lanes(session: Session) -> CurveSnapshot:
    """What the gates have seen: drops as times in s by gate, and grams by what a drop weighs.

    Of many drops some stand for all. leaks: those of the verdict, as it tells them; blind: from
    when to when nothing was read of the mass.
    """
    record, curve = session.learnt, _curve(session)
    tally = record.tally
    caught_g = record.caught_g or (math.nan,) * tally.gates
    leaks = session.decision.verdict.leaks if session.decision is not None else ()
    return {
        "drops": [
            [round(t_s, 1) for t_s in times[:: math.ceil(len(times) / _MOST_TICKS) or 1]]
            for times in tally.times
        ],
        "counted": list(tally.total),
        "caught_g": [rounded(caught, 3) for caught in caught_g],
        "leaks": [LeakForm.of(leak).model_dump(mode="json") for leak in leaks],
        "blind": [list(map(round, each)) for each in blind_stretches(curve.t_s, curve.mass_loss_g)],
    }


def _early(session: Session, points: int) -> CurveSnapshot:
    masses = session.learnt.masses
    # A rack that fills anew keeps the picture of what was before.
    opened_s = session.first_opened_s if session.first_opened_s is not None else math.inf
    times = np.array(masses.times_s)
    since = times >= opened_s - 60
    if since.sum() < 2:
        return {"t_s": []}
    mass_g = np.array(masses.masses_g)[since]
    step = max(int(since.sum()) // points, 1)
    return {
        "t_s": times[since][::step].round(1).tolist(),
        "taken_g": (mass_g[0] - mass_g)[::step].round(3).tolist(),
    }


def stored_snapshot(journal: Journal, soak: int) -> CurveSnapshot | None:
    """The picture that was kept when the soak ended; None when there is none."""
    found = [event for event in journal.read_events(soak) if event.kind == EVENT]
    return found[-1].data if found else None
