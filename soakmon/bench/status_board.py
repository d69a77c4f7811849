"""Keeps the service's status up to date: with every row, between rows, and without the worker."""

from __future__ import annotations

import math
import time
from typing import Any

from soakmon.bench.serving import Serving
from soakmon.bench.session import RUNNING
from soakmon.bench.status import estimate_of, status_of, unread, waiting_at
from soakmon.records.events import Estimate
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows

_VERDICT_EVERY_S = 60.0
_ESTIMATE_EVERY_S = 300.0


class StatusBoard:
    """Writes `service.status`; renewed_s: when a row last did, on the clock of `time.monotonic`."""

    def __init__(self, service: Serving) -> None:
        self.service = service
        self.renewed_s = time.monotonic()
        self.verdict_at_s = self.estimate_at_s = -math.inf

    def age_s(self) -> float:
        """How old the status is, in s of this machine."""
        return round(time.monotonic() - self.renewed_s, 2)

    def refresh(self, row: Rows) -> Estimate | None:
        """The status after a row; an estimate for those who draw it, every five minutes."""
        t_s = float(row.t_s[-1])
        fresh = t_s - self.verdict_at_s >= _VERDICT_EVERY_S
        if fresh or t_s < self.verdict_at_s:
            self.verdict_at_s = t_s
        status = status_of(self.service, row, with_verdict=fresh)
        self.service.status = status
        self.renewed_s = time.monotonic()
        if 0 <= t_s - self.estimate_at_s < _ESTIMATE_EVERY_S:
            return None
        estimate = estimate_of(self.service.session, status)
        if estimate is not None:
            self.estimate_at_s = t_s
        return estimate

    def restate(self) -> None:
        """What was done between two readings shows at once; for the worker."""
        session = self.service.session
        self._say(phase=session.phase if session is not None else Phase.IDLE)

    def say_unread(self) -> None:
        """Say what is known of a soak without a reading, which a broken bench may never give."""
        service = self.service
        if service.session is not None:
            row = unread(service.session, service.t_s())
            service.status = status_of(service, row, with_verdict=False)

    def restate_without_worker(self, trouble: str) -> None:
        """Say what is known when the worker is silent: its last status is older than that."""
        service = self.service
        known = {alarm.uid for alarm in service.status.alarms}
        fresh = [alarm for alarm in waiting_at(service) if alarm.uid not in known]
        changes: dict[str, Any] = {"alarms": (*service.status.alarms, *fresh)}
        if service.status.phase in RUNNING and not service.parts.valve.is_open:
            changes |= {"phase": Phase.ISOLATING, "reason": trouble, "shut_itself": True}
        self._say(guard_trouble=trouble, **changes)

    def _say(self, **changes: object) -> None:
        """Change the status, if that changes anything: who looks at it sees a new one by itself."""
        service = self.service
        feed_open, latch = service.parts.valve.is_open, tuple(service.latch.reasons)
        now = service.status.but(feed_open=feed_open, latch=latch, **changes)
        if now != service.status:
            service.status = now
