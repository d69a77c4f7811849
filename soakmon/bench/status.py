"""How the status of the bench comes about, row by row."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from soakmon.bench.bench_status import AlarmStatus, BenchStatus
from soakmon.bench.preflight import untold
from soakmon.bench.serving import Serving
from soakmon.bench.session import Session
from soakmon.bench.shop_time import zone_at
from soakmon.records.events import Estimate
from soakmon.records.verdict_form import BandForm, VerdictForm
from soakmon.watch.conclude import conclude
from soakmon.watch.figures import rounded
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.trend import trend

_RATE_OVER_S, _RATE_POINTS = 3600.0, 10


def status_of(service: Serving, row: Rows, *, with_verdict: bool) -> BenchStatus:
    """The status after a row; the verdict so far is renewed once a minute."""
    session = service.session
    common = _bench(service, row)
    if session is None:
        return BenchStatus(**common, phase=Phase.IDLE, alarms=waiting_at(service))
    return BenchStatus(
        **common,
        **_soak(service, session),
        verdict=_verdict(service.status, session, with_verdict=with_verdict),
    )


def waiting_at(service: Serving) -> tuple[AlarmStatus, ...]:
    """Alarms that belong to no soak, or that its journal has not been told yet."""
    return tuple(AlarmStatus(**asdict(alarm)) for alarm in service.alarms.waiting())


def _verdict(before: BenchStatus, session: Session, *, with_verdict: bool) -> VerdictForm | None:
    """The final verdict; so far: the one before, or with_verdict a new one; None before any."""
    record = session.learnt
    if session.decision is not None:
        return VerdictForm.of(session.decision.verdict)
    if with_verdict and record.finder.fill.found and record.mass_running:
        return VerdictForm.of(conclude(record))
    return before.verdict if record.finder.fill.found else None


def _bench(service: Serving, row: Rows) -> dict[str, Any]:
    return {
        "bench": service.bench.service.name,
        "t_s": round(float(row.t_s[-1]), 1),
        "wall_s": round(service.clock.wall_s(), 1),
        "zone": zone_at(service.clock.wall_s()),
        "mass_g": rounded(float(row.mass_g[-1]), 3),
        "air_c": rounded(float(row.air_c[-1]), 2),
        "feed_open": service.parts.valve.is_open,
        "cell_trouble": service.sampler.trouble,
        "journal_trouble": service.disk_trouble(),
        "guard_trouble": service.hung,
        "latch": service.latch.reasons,
        "vapour_alarm": service.parts.vapour.active(),
        "untold": untold(service.outlets()),
    }


def unread(session: Session, t_s: float) -> Rows:
    """A row of a soak at a time at which nothing can be read."""
    nothing = np.full(1, np.nan)
    gates = session.gates
    return Rows(np.array([t_s]), nothing, nothing, np.full((1, gates), np.nan))


def estimate_of(session: Session | None, status: BenchStatus) -> Estimate | None:
    """What is believed of a soak that runs, for those who draw it: totals in g, rates in g/h.

    Rates are those of the last hour; None while there is nothing to say.
    """
    verdict = status.verdict
    if session is None or session.ended or verdict is None:
        return None
    curve = session.learnt.curve.curve()
    recent = curve.t_s >= session.t_s - _RATE_OVER_S
    if recent.sum() < _RATE_POINTS:
        return None
    hours = float(np.ptp(curve.t_s[recent])) / 3600
    bands = (c[recent] for c in (curve.best_g, curve.low_g, curve.high_g))
    best, low, high = (rounded(float(band[-1] - band[0]) / hours, 4) for band in bands)
    seen = recent & np.isfinite(curve.mass_loss_g)
    enough = seen.sum() >= _RATE_POINTS
    loss = trend(curve.t_s[seen] / 3600, curve.mass_loss_g[seen]).slope if enough else math.nan
    return Estimate(
        observed_loss_g=verdict.observed_loss_g,
        expected_evaporation_g=verdict.expected_evaporation_g,
        leak_g_per_h=verdict.leak_g_per_h,
        loss_g_per_h=rounded(loss, 4),
        expected_g_per_h=BandForm(best=best, low=low, high=high),
    )


def _soak(service: Serving, session: Session) -> dict[str, Any]:
    dry_s = session.dry_at_s()
    wall_s = service.clock.wall_s()
    return {
        "phase": session.phase,
        "soak": service.journal.soak,
        "reason": session.reason,
        "shut_itself": session.shut_itself,
        "soaked_s": round(session.soaked_s, 1),
        "left_s": round(session.left_s, 1),
        "drops": list(session.learnt.tally.total),
        "alarms": [
            asdict(alarm)
            | {
                "acknowledged": alarm.uid in session.acknowledged,
                "acknowledged_by": session.acknowledged.get(alarm.uid, ""),
            }
            for alarm in session.alarms
        ],
        "ails": []
        if session.ended
        else [asdict(ail) for ail in session.ailing.now(session.learnt)],
        "blind_gates": session.ailing.blind,
        "checks": [asdict(check) for check in session.checks],
        "interruptions": [asdict(interruption) for interruption in session.interruptions],
        "dry_at_wall_s": None if dry_s is None else round(wall_s + dry_s - session.t_s, 0),
    }
