"""What the last run left undone: soaks without a verdict, and the one to go on with.

The decider is not stored: the same rows give the same decider, so it is fed again from the journal,
which takes seconds and wears no card.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace

from pydantic import ValidationError

from soakmon.bench.ending import events_of_end
from soakmon.bench.feed import ORDINARY
from soakmon.bench.preflight import Check
from soakmon.bench.serving import Serving
from soakmon.bench.session import RUNNING, Interruption, Session
from soakmon.bench.teller import new_uid
from soakmon.config import Bench
from soakmon.records.events import (
    AlarmsSeen,
    FeedChange,
    PhaseChange,
    PreflightChecks,
    Recorded,
    Resumption,
    all_of,
    as_recorded,
    contents,
)
from soakmon.records.journal import Anchor, Event, SoakEntry
from soakmon.records.soak_context import context_in
from soakmon.records.verdict_form import VerdictForm
from soakmon.texts import say
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm

log = logging.getLogger(__name__)
# A restart, a reboot or a flicker of the mains takes minutes. After half an hour somebody may have
# been at the bench and taken the rack off: then only a person opens the feed (judgement).
_REOPENS_WITHIN_S = 1800.0
# Where nobody knows how long it was: long enough that the verdict speaks of it (judgement).
_UNKNOWN_S = 3600.0
_PIECE = 600


def take_up(service: Serving) -> None:
    """Do what the last run has left undone, and go on with its soak."""
    left = _session_left(service)
    if left is not None:
        service.go_on_with(*left)
    _take_latched(service)
    if left is not None:
        _latch_again(service, left[0])
        _go_on(service, left[0])
        service.later(service.say_unread)
    for soak in service.journal.owed():
        service.concluded(soak)


def _take_latched(service: Serving) -> None:
    """An alarm that was latched when the process ended, and never came into the journal."""
    entry = service.latch.note
    if entry is None or entry.alarm is None:
        return
    alarm = Alarm(**entry.alarm)
    if not service.journal.holds_alarm(alarm.uid):
        service.teller.tell(alarm.t_s, "alarm", entry.alarm)
        service.take_alarm(alarm, True)


def _latch_again(service: Serving, session: Session) -> None:
    """A soak that shut its feed itself, just before the process ended: the latch lacks it."""
    shut = session.phase is Phase.ISOLATING and session.shut_itself
    if shut and service.latch.reason is None:
        service.latch.set(session.reason, ORDINARY, service.clock.wall_s())


def _session_left(service: Serving) -> tuple[Session, float] | None:
    """Conclude what cannot go on; the session to go on with and its time now in s, or None.

    Only the last soak can go on: rows of an earlier one would come after those of a later one.
    """
    soaks = service.journal.soaks()
    for entry in soaks:
        if entry.ended_t_s is not None or _has_verdict(service, entry):
            continue
        reason = say("resume.service_was_not_running_later")
        if entry is soaks[-1]:
            service.journal.soak = entry.id
            left = _taken_up(service, entry)
            if isinstance(left, tuple):
                return left
            reason = left
        log.warning("soak %d is concluded as it was left: %s", entry.id, reason)
        _conclude_left(service, entry, reason)
    return None


def _taken_up(service: Serving, entry: SoakEntry) -> tuple[Session, float] | str:
    """The session as the journal left it, with its time now; or why it cannot go on."""
    gates = service.parts.gates.count
    if entry.gates != gates:
        return say("resume.was_interrupted_bench_has_gates", gates=gates, gates2=entry.gates)
    events = service.journal.read_events(entry.id)
    phases = all_of(PhaseChange, events)
    if phases and phases[-1].phase is Phase.ENDED:
        return phases[-1].reason
    session = service.new_session(context_in(events), _bench_of(entry, service.bench))
    try:
        _remember(service, session, entry, events)
    except Exception as error:  # whatever it was: the bench must start, and the soak must end
        log.exception("soak %d cannot be taken up", entry.id)
        return say("resume.was_interrupted_cannot_taken_up", name=type(error).__name__, error=error)
    anchor = service.journal.anchor_of(entry)
    missed_s, known = gap_s(service, anchor) if anchor is not None else (_UNKNOWN_S, False)
    now_s = session.t_s + missed_s
    session.interruptions.append(Interruption(now_s, round(missed_s, 1), known))
    return session, now_s


def _has_verdict(service: Serving, entry: SoakEntry) -> bool:
    """Whether the soak has been given its verdict, and only its end was not noted."""
    events = service.journal.read_events(entry.id)
    verdicts = [event for event in events if event.kind == "verdict"]
    if verdicts:
        service.journal.finish(
            verdicts[-1].t_s, VerdictForm.model_validate(verdicts[-1].data), entry.id
        )
    return bool(verdicts)


def gap_s(service: Serving, anchor: Anchor) -> tuple[float, bool]:
    """Seconds since the anchor, and whether that is known.

    In the same boot by the clock that never jumps; after a restart by wall time when it was right
    both then and now. A clock that stands before the anchor is not right, whatever it says.
    """
    if anchor.boot == service.boot:
        missed_s = service.clock.boot_s() - anchor.boot_s
    elif anchor.synchronised and service.clock.synchronised():
        missed_s = service.clock.wall_s() - anchor.wall_s
    else:
        missed_s = -1.0
    if missed_s >= 0:
        return missed_s, True
    return max(service.clock.boot_s(), _UNKNOWN_S), False


def _go_on(service: Serving, session: Session) -> None:
    """Say that the soak was interrupted, and open the feed where nothing speaks against it.

    It opens by itself only where it was open before: a preflight was confirmed by somebody who
    stood beside it and may be gone.
    """
    last = session.interruptions[-1]
    session.t_s = last.t_s
    length = f"{last.gap_s:.0f} s" if last.known else say("log.unknown_length")
    log.warning("soak %d taken up after a gap of %s", service.journal.soak, length)
    session.write(Resumption(gap_s=last.gap_s, known=last.known))
    session.news()
    if session.phase is Phase.PREFLIGHT:
        session.end(say("resume.interrupted_its_preflight_start_again"))
    elif session.phase in RUNNING:
        _reopen(session, last)


def _reopen(session: Session, last: Interruption) -> None:
    short = last.known and last.gap_s <= _REOPENS_WITHIN_S
    if any(alarm.leaks for alarm in session.alarms):
        why = say("resume.leak_was_found")
    elif not short:
        why = say("resume.nobody_knows_what_happened_meanwhile")
    else:
        why = session.open_feed()
    if not why:
        return
    if not session.filled:
        # A rack that is half full has nothing to wait for with the feed shut.
        session.end(say("resume.interrupted_while_filling_feed_stays", why=why))
        return
    session.isolate(say("resume.taken_up_after_gap_feed", why=why), itself=True)


def _remember(
    service: Serving, session: Session, entry: SoakEntry, events: Sequence[Event]
) -> None:
    """Bring a session to where the journal left it."""
    for _, rows in service.journal.batches(entry.id):
        for start in range(0, len(rows), _PIECE):
            session.feed_again(rows.part(start, start + _PIECE))
    _replay(session, events)
    session.know_recorded()


def _replay(session: Session, events: Sequence[Event]) -> None:
    """Phase, alarms and acknowledgements as they were."""
    for event, held in contents(events):
        match held:
            case PhaseChange():
                session.phase, session.reason = held.phase, held.reason
            case Alarm():
                session.alarms.append(_marked(held))
            case AlarmsSeen():
                session.acknowledged |= _acknowledged(session, held)
            case PreflightChecks():
                session.checks = [Check(**check.model_dump()) for check in held.checks]
            case Resumption():
                gap = Interruption(event.t_s, held.gap_s, held.known)
                session.interruptions.append(gap)
            case FeedChange(open=True):
                session.opened(event.t_s)
            case FeedChange():
                session.isolated_s = event.t_s
                session.shut_itself = held.itself
                if held.itself:
                    session.shut_for.add(held.reason)


def _acknowledged(session: Session, seen: AlarmsSeen) -> dict[str, str]:
    """The marks of alarms that were acknowledged, and by whom.

    Earlier versions wrote only their places.
    """
    if seen.uids is not None:
        return dict.fromkeys(seen.uids, seen.by)
    known = [session.alarms[place].uid for place in seen.alarms if place < len(session.alarms)]
    return dict.fromkeys(known, seen.by)


def _marked(alarm: Alarm) -> Alarm:
    """An alarm by which it is known again; those of earlier versions had no mark of their own."""
    return alarm if alarm.uid else replace(alarm, uid=new_uid())


def _conclude_left(service: Serving, entry: SoakEntry, reason: str) -> None:
    """The verdict of a soak that cannot go on, on what was seen of it, as of its last reading."""
    journal = service.journal
    anchor = journal.anchor_of(entry)
    wall_s = entry.started_wall_s if anchor is None else anchor.wall_s

    def record(t_s: float, event: Recorded) -> None:
        journal.add_event(t_s, wall_s, *as_recorded(event), entry.id)

    def conclude(session: Session) -> None:
        assert session.decision is not None
        events = events_of_end(session, session.decision)
        with journal.together():
            journal.finish(session.t_s, VerdictForm.of(session.decision.verdict), entry.id)
            for event in events:
                record(session.t_s, event)

    events = journal.read_events(entry.id)
    bench = _bench_of(entry, service.bench)
    settings = context_in(events).applied(bench.settings())
    session = Session(
        bench, entry.gates, record, service.feed, settings=settings, conclude=conclude
    )
    try:
        _remember(service, session, entry, events)
    except Exception:  # whatever it was: it is concluded on what could be read
        log.exception("soak %d cannot be read to its end", entry.id)
    session.close(reason)


def _bench_of(entry: SoakEntry, otherwise: Bench) -> Bench:
    """The bench as it was when the soak began, or as it is where that cannot be read any more."""
    try:
        return Bench.model_validate_json(entry.configuration)
    except ValidationError:
        return otherwise
