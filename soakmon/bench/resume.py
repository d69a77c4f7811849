"""Taking up a soak after a crash, a restart or a power cut.

The decider is not stored: the same rows give the same decider, so it is fed again from the journal,
which takes seconds and wears no card.
"""

from __future__ import annotations

import logging
from collections import Counter
from typing import TYPE_CHECKING

from soakmon.bench.session import Phase, Session
from soakmon.records.journal import Anchor, Event, SoakEntry
from soakmon.watch.verdict import Alarm

if TYPE_CHECKING:
    from soakmon.bench.service import Service

log = logging.getLogger(__name__)
# After a longer gap nobody can say what the rack did meanwhile: the feed stays shut.
_REOPENS_WITHIN_S = 6 * 3600.0
_PIECE = 600


def gap_s(service: Service, anchor: Anchor) -> tuple[float, bool]:
    """Seconds since the anchor, and whether that is known.

    In the same boot by the clock that never jumps; after a restart by wall time when it was right
    both then and now.
    """
    if anchor.boot == service.boot:
        return max(service.clock.boot_s() - anchor.boot_s, 0.0), True
    if anchor.synchronised and service.clock.synchronised():
        return max(service.clock.wall_s() - anchor.wall_s, 0.0), True
    return service.clock.boot_s(), False


def resume_session(
    service: Service, session: Session, entry: SoakEntry, anchor: Anchor | None
) -> float:
    """Bring a session to where the journal left it; soak time now, in s."""
    journal = service.journal
    for _, rows in journal.batches(entry.id):
        for start in range(0, len(rows), _PIECE):
            session.decider.push(rows.part(start, start + _PIECE))
        session.t_s = float(rows.t_s[-1])
    events = journal.read_events(entry.id)
    _replay(session, events)
    session.seen_alarms = _told(session)
    session.seen_faults = len(session.decider.follower.faults)
    missed_s, known = gap_s(service, anchor) if anchor is not None else (0.0, True)
    now_s = session.t_s + missed_s
    length = f"{missed_s:.0f} s" if known else "unknown length"
    log.warning("soak %d taken up after a gap of %s", entry.id, length)
    session.record(now_s, "resumed", {"gap_s": round(missed_s, 1), "known": known})
    _go_on(session, missed_s if known else float("inf"), now_s)
    return now_s


def _replay(session: Session, events: list[Event]) -> None:
    """Phase, alarms and acknowledgements as they were."""
    for event in events:
        if event.kind == "phase":
            session.phase = Phase(event.data["phase"])
            session.reason = event.data.get("reason", "")
        elif event.kind == "alarm":
            session.alarms.append(Alarm(**event.data))
        elif event.kind == "ack":
            session.acknowledged |= set(event.data["alarms"])
        elif event.kind == "preflight":
            session.checks = event.data["checks"]
        elif event.kind == "feed" and event.data["open"]:
            session.opened_s = event.t_s
        elif event.kind == "feed":
            session.isolated_s = event.t_s
            session.shut_itself = event.data.get("itself", False)
            if session.shut_itself:
                session.shut_for.add(event.data["reason"])


def _told(session: Session) -> int:
    """How many of the decider's alarms the journal holds: those after them are still news.

    Rows may be on disk whose alarm is not. Fed in pieces, the decider may date an alarm otherwise,
    so they are told apart by what they say.
    """
    known = Counter((alarm.kind, alarm.carb) for alarm in session.alarms if not alarm.code)
    for index, alarm in enumerate(session.decider.alarms):
        known[alarm.kind, alarm.carb] -= 1
        if known[alarm.kind, alarm.carb] < 0:
            return index
    return len(session.decider.alarms)


def _go_on(session: Session, missed_s: float, now_s: float) -> None:
    """Open the feed again where it was open and nothing speaks against it."""
    session.t_s = now_s
    session.news()
    if session.phase in {Phase.PREFLIGHT, Phase.ENDED, Phase.ISOLATING}:
        return
    if any(alarm.leaks for alarm in session.alarms) or missed_s > _REOPENS_WITHIN_S:
        session.isolate("taken up after a gap; the feed stays shut", itself=True)
    elif why := session.open_feed():
        session.isolate(f"taken up after a gap; the feed stays shut: {why}", itself=True)
