"""What people may command of a soak; the worker carries it out, or refuses with a RefusedError."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from soakmon.bench.commands import RefusedError
from soakmon.bench.serving import Serving
from soakmon.bench.session import Session
from soakmon.bench.worker import SETTLES_WITHIN_S, Worker
from soakmon.errors import InputError
from soakmon.records.events import AlarmsSeen, PhaseChange
from soakmon.records.jobs.text import clean_line, spoken_line
from soakmon.records.journal import SoakEntry
from soakmon.records.soak_context import SoakContext
from soakmon.texts import say
from soakmon.watch.phase import Phase

_CONFIRM = say("service.cautions_must_confirmed_bench_before")


class SoakCommands:
    """Commands of people at the bench, at the page and far away."""

    def __init__(self, service: Serving, worker: Worker) -> None:
        self.service, self.worker = service, worker

    def start_soak(
        self, title: str, job: str | None, *, cautions_confirmed: bool, filled: bool = False
    ) -> int:
        """Begin a soak; RefusedError when one runs or the cautions are not confirmed.

        filled: the rack is full already, no fill is waited for.
        """
        service = self.service
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        if service.session is not None and not service.session.ended:
            raise RefusedError(say("service.soak_running_end_first"))
        try:
            title = clean_line(title, "title", 200)
            context = service.context_for(job, service.clock.wall_s())
        except InputError as error:
            raise RefusedError(str(error)) from None
        if not service.journal.settle(SETTLES_WITHIN_S):
            trouble = service.journal.trouble or say("service.disk_does_not_answer_try")
            raise RefusedError(trouble)
        return self._begin(title, job, replace(context, rack_full=filled))

    def _begin(self, title: str, job: str | None, context: SoakContext) -> int:
        service = self.service
        entry = SoakEntry(
            0, title, job, service.clock.wall_s(), service.parts.gates.count,
            service.bench.model_dump_json(), None, None,
        )  # fmt: skip
        self._latch()
        service.begin(context)
        with service.journal.together():
            number = service.journal.start(entry)
            service.record(0.0, PhaseChange(phase=Phase.PREFLIGHT, reason=title))
            service.record(0.0, context)
        self.worker.answer_from_disk()
        return number

    def _latch(self) -> None:
        """The feed of a soak that begins is shut until its preflight has passed."""
        feed, latch = self.service.feed, self.service.latch
        if why := feed.begin(self.worker.decide()):
            raise RefusedError(say("service.something_came_up_meanwhile_look", why=why))
        if not latch.allocate():
            # What was confirmed for this soak is not confirmed for any other.
            feed.shut(latch.trouble)
            raise RefusedError(latch.trouble)

    def _running(self) -> Session:
        """The soak that runs; RefusedError when none does."""
        session = self.service.session
        if session is None or session.ended:
            raise RefusedError(say("service.no_soak_running"))
        return session

    def isolate(self, reason: str) -> None:
        """Shut the feed and watch the decay."""
        session = self._running()
        if session.phase is Phase.PREFLIGHT:
            raise RefusedError(say("service.feed_still_shut_nothing_isolate"))
        self.worker.decide()
        # Also when it is only shut for a while.
        self.service.feed.shut(reason)
        session.isolate(spoken_line(reason))

    def end(self, reason: str) -> None:
        """End the soak with its verdict."""
        session = self._running()
        self.worker.decide()
        session.end(spoken_line(reason))

    def acknowledge(self, uids: Collection[str] | None = None, by: str = "") -> int:
        """Acknowledge alarms; how many were new. uids: those that were seen (None: all).

        by: who it is, for other benches and the journal.
        """
        service, by = self.service, spoken_line(by)
        self.worker.decide()
        loose = service.alarms.loose
        seen = [alarm for alarm in loose if uids is None or alarm.uid in uids]
        for alarm in seen:
            loose.remove(alarm)
        if seen:
            marks = tuple(alarm.uid for alarm in seen)
            service.note(AlarmsSeen(alarms=(), uids=marks, by=by))
        count = len(seen)
        count += service.session.acknowledge(uids, by) if service.session is not None else 0
        service.show_panel()
        return count

    def resume_feed(self, *, cautions_confirmed: bool) -> None:
        """Open the feed again after an isolation by command."""
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        session = self._running()
        if session.phase is not Phase.ISOLATING:
            raise RefusedError(say("service.feed_not_isolated"))
        if any(alarm.leaks for alarm in session.alarms):
            raise RefusedError(say("service.leak_was_found_end_soak"))
        if why := self.service.feed.confirm(self.worker.decide()):
            raise RefusedError(say("service.something_came_up_meanwhile_look", why=why))
        if why := session.resume_feed():
            raise RefusedError(say("service.feed_stays_shut", why=why))
