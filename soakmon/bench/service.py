"""The bench service: threads around sampler, guard and session.

sampler thread   reads the parts, asks the guard, shuts the valve itself; nothing else delays it
worker thread    owns session and journal; rows and commands reach it through one queue
keeper thread    compares what is with what must be: silent threads, a feed that is open (`keeper`)
teller thread    tells of alarms out of memory (`teller`)
scribe thread    brings the latch to disk
air thread       the thermometer, which may take a second
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import asdict, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

from soakmon.bench.alarms import Alarms, Wrong, of_trip
from soakmon.bench.bench_status import BenchStatus
from soakmon.bench.commands import PendingCommand, RefusedError
from soakmon.bench.edges import Drop
from soakmon.bench.ending import events_of_end
from soakmon.bench.feed import ORDINARY, Feed
from soakmon.bench.guard import Code, Guard, Trip
from soakmon.bench.keeper import Keeper
from soakmon.bench.panel import SturdyPanel
from soakmon.bench.ports import BenchParts, Press
from soakmon.bench.preflight import Check, check_context, check_machine, check_outlets
from soakmon.bench.recent import Recent
from soakmon.bench.records_port import ContextProvider
from soakmon.bench.resume import go_on, take_up
from soakmon.bench.sampler import Sampler, Scale
from soakmon.bench.serving import Beats, Work
from soakmon.bench.session import RUNNING, Session
from soakmon.bench.stall import Stalls
from soakmon.bench.status import Weighed, estimate_of, status_of, unread, weighed
from soakmon.bench.teller import Listener, Teller
from soakmon.bench.threads import Threads
from soakmon.config import Bench
from soakmon.errors import DamagedError, InputError
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.records.jobs.text import clean_line, said_line
from soakmon.records.journal import Anchor, Journal, SoakEntry
from soakmon.records.latch import NAME as LATCH
from soakmon.records.latch import Latch
from soakmon.records.soak_context import EVENT as TOLD
from soakmon.records.soak_context import SoakContext
from soakmon.texts import say
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm

log = logging.getLogger(__name__)
T = TypeVar("T")
_VERDICT_EVERY_S = 60.0
_ESTIMATE_EVERY_S = 300.0
_AIR_LOG_EVERY_S, _AIR_LOG_LENGTH = 600.0, 288
# Rows in a row at which the session fails: then it will fail at the next ones as well.
_GIVES_UP_AFTER = 60
_STEADY_S = 5.0
_SETTLES_WITHIN_S = 3.0
_CONFIRM = say("service.cautions_must_confirmed_bench_before")


class Service:
    """Runs a bench.

    boot: identity of this boot of the machine; alive: called by the keeper while all threads are
    well (for a watchdog); concluded: called with the number of a soak that has its verdict;
    fell: called when a thread has ended, with what is to be said of it: the process must end;
    context_for: what the records tell a soak with a job (or none) that begins at a wall time in s.
    """

    def __init__(
        self,
        bench: Bench,
        parts: BenchParts,
        journal: Journal,
        *,
        boot: str,
        alive: Callable[[], None] = lambda: None,
        concluded: Callable[[int], None] = lambda soak: None,
        fell: Callable[[str], None] = lambda text: None,
        context_for: ContextProvider = lambda job, wall_s: SoakContext(),
    ) -> None:
        self.bench, self.parts, self.journal = bench, parts, journal
        self.boot = boot
        self.alive = alive
        self.concluded = concluded
        self.fell = fell
        self.context_for = context_for
        self.clock = parts.clock
        self.scale = Scale(bench.cell.g_per_count, bench.cell.zero_counts, bench.cell.capacity_g)
        self.lock = threading.Lock()
        self.work: queue.SimpleQueue[Work] = queue.SimpleQueue()
        self.beats = Beats()
        self.threads = Threads(self)
        self.keeper = Keeper(self)
        self.levels: tuple[Trip, ...] = ()
        self.latch = Latch(journal.path.with_name(LATCH))
        self.feed = Feed(parts.valve, self.latch, lambda: self.levels, self.clock.wall_s)
        self.listeners: list[Listener] = []
        self.panel = SturdyPanel(parts.panel, self._panel_broke)
        self.teller = Teller(self.latch, self.panel, self.listeners)
        self.alarms = Alarms(self.feed, self.teller, self.later, self.take_alarm)
        self.asked: PendingCommand[Any] | None = None
        self.stalls = Stalls()
        self.failures = 0
        self.fallen: list[str] = []
        self.session: Session | None = None
        self.status = BenchStatus(phase=Phase.IDLE)
        self.renewed_s = time.monotonic()
        self.recent = Recent()
        self.air_log: tuple[tuple[float, float], ...] = ()
        self.verdict_at_s = self.estimate_at_s = -math.inf
        self.sampler = self._sampler(self.clock.boot_s(), 0.0)
        self.guard = Guard(bench.guard, self._rack_g())
        self.outlets: Callable[[], list[dict[str, Any]]] = list
        self.journal_trouble = ""
        self.sampling_failed = self.keeper_late = False
        self.sampled_s = self.unsteady_s = -math.inf

    def _sampler(self, boot_s: float, t_s: float) -> Sampler:
        return Sampler(self.parts, self.scale, 1e-3 * self.bench.gates.dead_time_ms, boot_s, t_s)

    def _rack_g(self) -> float:
        settings = self.bench.settings()
        volume_ml = settings.geometry.hose.volume_ml
        volume_ml += sum(bowl.volume_ml for bowl in settings.geometry.bowls)
        return volume_ml * 1e-3 * float(density_kg_per_m3(settings.fuel, 20.0))

    # -- threads ---------------------------------------------------------------------------------

    def run(self) -> None:
        """Start the threads and take up a soak that was interrupted."""
        self.beats.sampler_s = self.beats.worker_s = self.clock.boot_s()
        if not self.latch.allocate():
            log.error("%s", self.latch.trouble)
        self._take_up()
        self.threads.start()

    def stop(self) -> None:
        """Shut the valve, stop the threads, commit the journal."""
        self.feed.close()
        self.threads.stop()
        self.teller.deliver()
        self.latch.close()
        self.journal.commit()
        self.parts.close()

    def sample(self) -> None:
        """One sample: read, guard, and hand on; never raises an Exception."""
        try:
            self._sample()
        except Exception as error:  # nobody watches, whatever it was: shut, and told once
            self.feed.pause()
            if not self.sampling_failed:
                log.exception("sampling failed")
                self.sound(
                    "bench", say("service.bench_cannot_read", error=_of(error)), Wrong.FAILED
                )
            self.sampling_failed = True
        else:
            self.sampling_failed = False
        self._look_at_keeper()

    def _look_at_keeper(self) -> None:
        """Who watches the others is watched as well; told once."""
        now_s = self.clock.boot_s()
        if now_s - self.sampled_s > _STEADY_S:
            # All may have stood still: the keeper is not late before it has had its turn.
            self.unsteady_s = now_s
        self.beats.sampler_s = self.sampled_s = now_s
        kept_s = self.beats.keeper_s
        late = kept_s is not None and now_s - kept_s > self.bench.guard.hung_s
        late = late and now_s - self.unsteady_s > _STEADY_S
        if late and not self.keeper_late:
            self.sound("bench", say("service.no_sign_life_from_keeper"), Code.HUNG)
        self.keeper_late = late

    def _sample(self) -> None:
        with self.lock:
            source = self.sampler
            sample, row = source.sample()
            trips = self.guard.step(sample)
            self.levels = self.guard.must_be_shut
            drops = source.take_drops()
        for trip in trips:
            log.warning("guard: %s", trip.text)
            self.alarms.sound(of_trip(trip))
        if sample.feed_open:
            self.feed.seen_open()
        self.feed.hold()
        if row is not None or drops:
            self.work.put(Work(source, row, drops))

    def sound(
        self, kind: str, text: str, code: StrEnum, *, shut: bool = True, t_s: float | None = None
    ) -> None:
        """Raise an alarm of the service itself, from any thread; shut: the feed is shut for it."""
        at_s = self.t_s() if t_s is None else t_s
        self.alarms.trouble(Alarm(at_s, kind, None, None, text, code.value), shut=shut)

    def thread_ended(self, name: str, error: BaseException | None) -> None:
        """A thread is gone, for whatever reason: shut, latched and told from here, then `fell`."""
        why = say("service.without_reason") if error is None else _of(error)
        text = say("service.service_has_ended_service_starts", name=name, why=why)
        log.critical("%s", text, exc_info=error)
        self.fallen.append(text)
        try:
            self.sound("bench", text, Wrong.THREAD)
        finally:
            # From here on it may hang on a disk: who ends the process does not wait for that.
            self.fell(text)
        self.keeper.restate(text)
        self.latch.write()
        self.teller.deliver()

    def carry_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        """One piece of work; drops are held until the row of their second has come.

        What the journal is given meanwhile is one transaction.
        """
        with self.journal.together():
            held = self._carried_out(work, held)
            if work.row is None:
                self._restate()
        if work.asked is not None:
            work.asked.answer(self._why_lost() if work.asked.lasting else "")
        return held

    def _why_lost(self) -> str:
        """Why what was just done would be lost with this process, or "": then it is on disk.

        Nobody may be told that a soak has begun which would be gone after a restart: it ends here.
        """
        if self.journal.settle(_SETTLES_WITHIN_S):
            return ""
        trouble = self.journal.trouble or say("service.disk_does_not_answer")
        why = say("service.disk_did_not_take_beginning", why=trouble)
        if self.session is not None:
            self._give_up(self.session, why)
        return why

    def _carried_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        if work.asked is not None:
            self.asked = work.asked
            work.asked.carry_out()
            self.asked = None
        try:
            if work.action is not None:
                work.action()
            if work.source is not None and work.source is not self.sampler:
                # It was waiting behind the start of a soak, and counts time from another beginning.
                return []
            held = held + work.drops
            if work.row is None:
                return held
            self._row(work.row, held)
            self.failures = 0
        except Exception as error:  # whatever it was: shut, told, and the worker goes on
            self._failed(error)
            return [] if work.row is not None else held
        return []

    def drain(self) -> None:
        """Do all that waits in the queue, in the caller's thread (for stepped runs)."""
        held: list[Drop] = []
        while not self.work.empty():
            held = self.carry_out(self.work.get(), held)
        self.latch.write()
        self.teller.deliver()
        self.beats.worker_s = self.clock.boot_s()

    @property
    def hung(self) -> str:
        """Which threads give no sign of life, in words, or ""."""
        return self.keeper.hung

    def age_s(self) -> float:
        """How old the status is, in s of this machine."""
        return round(time.monotonic() - self.renewed_s, 2)

    def keep(self) -> None:
        """One look of the keeper."""
        self.keeper.keep()

    def read_air(self) -> None:
        """Read the thermometer and hand the value to the sampler."""
        reading = self.parts.thermometer.read()
        with self.lock:
            self.sampler.take_air(reading.value, self.t_s())

    def t_s(self) -> float:
        """Time of the soak now, in s."""
        return self.clock.boot_s() + self.sampler.offset_s

    # -- in the worker ---------------------------------------------------------------------------

    def later(self, action: Callable[[], None]) -> None:
        """Have the worker do something."""
        self.work.put(Work(action=action))

    def take_alarm(self, alarm: Alarm, shut: bool) -> None:
        """An alarm that was raised outside the session comes into it."""
        if self.session is not None:
            self.session.alarmed(alarm, shut=shut)
        else:
            self.alarms.loose.append(alarm)
            self._record(alarm.t_s, "alarm", asdict(alarm))
        if self.sampling_failed:
            self._tell_unread()
        self._panel()

    def _failed(self, error: Exception) -> None:
        """The session failed at its work: the first time is told, too many times are its end."""
        self.feed.pause()
        self.failures += 1
        text = say("service.service_failed_its_work", error=_of(error))
        if self.failures == 1:
            log.error("the session failed", exc_info=error)
            self.sound("bench", text, Wrong.FAILED)
        elif self.failures == _GIVES_UP_AFTER and self.session is not None:
            self._give_up(self.session, text)

    def _give_up(self, session: Session, text: str) -> None:
        """It fails at every row: the soak ends with what can be said of it."""
        try:
            session.end(text)
        except Exception:  # nothing more can be said of it here
            log.exception("the soak cannot be ended")

    def note(self, kind: str, data: dict[str, Any]) -> None:
        """Record something that is no alarm."""
        self._record(self.t_s(), kind, data)

    def pause(self, text: str, at_s: float, stood_s: float) -> None:
        """The bench stood still until at_s with the feed open: shut, and looked at again."""
        if self.session is not None and self.session.phase in RUNNING:
            self.session.pause(text)
            limits, guard = self.bench.guard, self.guard
            # A rack that is being filled takes what it takes; the guard goes on counting then.
            filling_g = guard.rack_g + limits.fill_g_over
            may_lose_g = limits.rate_g_per_min * stood_s / 60 if guard.filled else filling_g
            self.stalls.begin(at_s, stood_s, may_lose_g)

    def _look_again(self, session: Session, row: Rows) -> None:
        """After a stall: open the feed again when all is well."""
        self.stalls.take(float(row.t_s[-1]), float(row.mass_g[-1]))
        pause = self.stalls.pause
        if pause is None:
            return
        if session.phase is not Phase.ISOLATING or self.latch.reason is not None:
            self.stalls.pause = None
        elif pause.over():
            self.stalls.pause = None
            why = pause.why_not() or session.resume_feed()
            if why:
                text = say("service.feed_stays_shut_after_bench", why=why)
                self.sound("bench", text, Wrong.STALLED, t_s=session.t_s)

    def _row(self, row: Rows, drops: list[Drop]) -> None:
        session = self.session
        if session is not None and not session.ended:
            self.journal.add_rows(row, self._anchor(float(row.t_s[-1])))
            session.take(row, drops)
            self._look_again(session, row)
        self.recent.take(row, drops, self.clock.wall_s())
        self._pressed()
        self._look_at_journal(float(row.t_s[-1]))
        self._refresh(row)

    def disk_trouble(self) -> str:
        """Why journal or latch cannot be written, or ""."""
        return self.journal.trouble or self.latch.trouble

    def _look_at_journal(self, t_s: float) -> None:
        """A journal or a latch that cannot be written is told when that begins."""
        trouble = self.disk_trouble()
        fresh = bool(trouble) and not self.journal_trouble
        self.journal_trouble = trouble
        if fresh:
            self.sound("bench", trouble, Wrong.JOURNAL, shut=False, t_s=t_s)
        if self.journal.damaged and not self.fallen:
            # Started again, the service sets it aside and begins a new one.
            self.thread_ended("journal", DamagedError(self.journal.damaged))

    def _refresh(self, row: Rows) -> None:
        t_s = float(row.t_s[-1])
        self._log_air(float(row.air_c[-1]))
        fresh = t_s - self.verdict_at_s >= _VERDICT_EVERY_S
        if fresh or t_s < self.verdict_at_s:
            self.verdict_at_s = t_s
        self.status = status_of(self, row, with_verdict=fresh)
        self.renewed_s = time.monotonic()
        if not 0 <= t_s - self.estimate_at_s < _ESTIMATE_EVERY_S:
            estimate = estimate_of(self.session, self.status)
            if estimate is not None:
                self.estimate_at_s = t_s
                self._record(t_s, "estimate", estimate)
        self._panel()

    def _log_air(self, air_c: float) -> None:
        wall_s = self.clock.wall_s()
        due = not self.air_log or wall_s - self.air_log[-1][0] >= _AIR_LOG_EVERY_S
        if due and math.isfinite(air_c):
            self.air_log = (*self.air_log[1 - _AIR_LOG_LENGTH :], (wall_s, air_c))

    def _conclude(self, session: Session) -> None:
        """Write down all that is said of the end in one transaction, and then make the report."""
        assert session.decision is not None
        events = events_of_end(session, session.decision)
        with self.journal.together():
            self.journal.finish(session.t_s, session.decision.verdict.as_dict())
            for kind, data in events:
                self._record(session.t_s, kind, data)
        self.concluded(self.journal.soak)

    def _pressed(self) -> None:
        for press in self.panel.presses():
            if press is Press.SHORT:
                self.acknowledge()
            elif press is Press.HELD and self.session is not None and not self.session.ended:
                self.session.end(say("service.ended_bench"))

    def _panel_broke(self, text: str) -> None:
        self.sound("bench", text, Wrong.PANEL, shut=False)

    def _panel(self) -> None:
        session = self.session
        waiting = self.alarms.waiting()
        alarms = [*waiting, *(session.alarms if session is not None else [])]
        waiting += session.unacknowledged if session is not None else []
        self.panel.show(lamp=bool(alarms), buzzer=bool(waiting))

    def _anchor(self, t_s: float) -> Anchor:
        return Anchor(
            self.boot,
            t_s,
            t_s - self.sampler.offset_s,
            self.clock.wall_s(),
            self.clock.synchronised(),
        )

    def _record(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        """Tell of an event, and have it kept: neither waits for the other."""
        self.teller.tell(t_s, kind, data)
        self.journal.add_event(t_s, self.clock.wall_s(), kind, data)

    def check_around(self) -> list[Check]:
        """Judge what does not lie on the bench: machine and outlets."""
        machine = check_machine(
            Path(self.journal.path).parent,
            synchronised=self.clock.synchronised(),
            journal_trouble=self.disk_trouble(),
        )
        needed = self.bench.phone.needed
        return machine + check_outlets(self.outlets(), phone_needed=needed)

    def new_session(self, told: SoakContext, judged_as: Bench | None = None) -> Session:
        """A session by what the records tell; judged_as: the bench as it was when it began."""

        def around() -> list[Check]:
            return [*self.check_around(), *check_context(told)]

        gates = self.parts.gates.count
        settings = told.applied((judged_as or self.bench).settings())
        return Session(
            self.bench, gates, self._record, self.feed, around,
            settings=settings, conclude=self._conclude,
        )  # fmt: skip

    # -- commands --------------------------------------------------------------------------------

    def call(self, command: Callable[[], T]) -> PendingCommand[T]:
        """Have the worker carry out a command; cancelling it gives it up while that is possible."""
        asked = PendingCommand(command, self.latch.number)
        self.work.put(Work(asked=asked))
        return asked

    def _decide(self) -> int:
        """From here on the command changes something; RefusedError when nobody waits for it.

        The number of the latch's note that was known when it was asked for.
        """
        if self.asked is None:
            return self.latch.number
        self.asked.decide()
        return self.asked.seen

    def start_soak(
        self, title: str, job: str | None, *, cautions_confirmed: bool, filled: bool = False
    ) -> int:
        """Begin a soak; RefusedError when one runs or the cautions are not confirmed.

        filled: the rack is full already, no fill is waited for.
        """
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        if self.session is not None and not self.session.ended:
            raise RefusedError(say("service.soak_running_end_first"))
        try:
            title = clean_line(title, "title", 200)
            told = replace(self.context_for(job, self.clock.wall_s()), rack_full=filled)
        except InputError as error:
            raise RefusedError(str(error)) from None
        if not self.journal.settle(_SETTLES_WITHIN_S):
            raise RefusedError(self.journal.trouble or say("service.disk_does_not_answer_try"))
        entry = SoakEntry(
            0, title, job, self.clock.wall_s(), self.parts.gates.count,
            self.bench.model_dump_json(), None, None,
        )  # fmt: skip
        if why := self.feed.begin(self._decide()):
            raise RefusedError(say("service.something_came_up_meanwhile_look", why=why))
        if not self.latch.allocate():
            # What was confirmed for this soak is not confirmed for any other.
            self.feed.shut(self.latch.trouble)
            raise RefusedError(self.latch.trouble)
        air = self.sampler.air_c
        with self.lock:
            self.sampler = self._sampler(self.clock.boot_s(), 0.0)
            self.sampler.take_air(None if math.isnan(air) else air, 0.0)
            self.guard = Guard(self.bench.guard, self._rack_g())
            self.levels = ()
        self.session = self.new_session(told)
        self.alarms.loose.clear()
        self.stalls, self.failures = Stalls(), 0
        with self.journal.together():
            number = self.journal.start(entry)
            self._record(0.0, "phase", {"phase": str(Phase.PREFLIGHT), "reason": title})
            self._record(0.0, TOLD, told.as_dict())
        if self.asked is not None:
            self.asked.lasting = True
        return number

    def running(self) -> Session:
        """The soak that runs; RefusedError when none does."""
        if self.session is None or self.session.ended:
            raise RefusedError(say("service.no_soak_running"))
        return self.session

    def isolate(self, reason: str) -> None:
        """Shut the feed and watch the decay."""
        session = self.running()
        if session.phase is Phase.PREFLIGHT:
            raise RefusedError(say("service.feed_still_shut_nothing_isolate"))
        self._decide()
        # Also when it is only shut for a while.
        self.feed.shut(reason)
        session.isolate(said_line(reason))

    def end(self, reason: str) -> None:
        """End the soak with its verdict."""
        session = self.running()
        self._decide()
        session.end(said_line(reason))

    def acknowledge(self, uids: Collection[str] | None = None) -> int:
        """Acknowledge alarms; how many were new. uids: those that were seen (None: all)."""
        self._decide()
        seen = [a for a in self.alarms.loose if uids is None or a.uid in uids]
        for alarm in seen:
            self.alarms.loose.remove(alarm)
        if seen:
            self.note("ack", {"alarms": [], "uids": [alarm.uid for alarm in seen]})
        count = len(seen)
        count += self.session.acknowledge(uids) if self.session is not None else 0
        self._panel()
        return count

    def resume_feed(self, *, cautions_confirmed: bool) -> None:
        """Open the feed again after an isolation by command."""
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        session = self.running()
        if session.phase is not Phase.ISOLATING:
            raise RefusedError(say("service.feed_not_isolated"))
        if any(alarm.leaks for alarm in session.alarms):
            raise RefusedError(say("service.leak_was_found_end_soak"))
        if why := self.feed.confirm(self._decide()):
            raise RefusedError(say("service.something_came_up_meanwhile_look", why=why))
        if why := session.resume_feed():
            raise RefusedError(say("service.feed_stays_shut", why=why))

    def weigh(self) -> Weighed:
        """What is on the cell now: mean and scatter over the last seconds."""
        return weighed(self.sampler.recent_counts, self.scale)

    def mean_air_c(self, since_wall_s: float) -> float | None:
        """Mean shop temperature since a wall time, °C, as far back as two days."""
        found = [air_c for wall_s, air_c in self.air_log if wall_s >= since_wall_s]
        return round(sum(found) / len(found), 2) if found else self.status.air_c

    def seen(self, since_wall_s: float) -> dict[str, Any]:
        """Drops, and the cell at rest, since a wall time."""
        return {
            "drops": self.recent.drops(since_wall_s),
            "still": self.recent.still(since_wall_s),
        }

    def _take_latched(self) -> None:
        """An alarm that was latched when the process ended, and never came into the journal."""
        note = self.latch.note
        if note is None or note.alarm is None:
            return
        alarm = Alarm(**note.alarm)
        if not self.journal.holds_alarm(alarm.uid):
            self.teller.tell(alarm.t_s, "alarm", note.alarm)
            self.take_alarm(alarm, True)

    def _latch_again(self, session: Session) -> None:
        """A soak that shut its feed itself, just before the process ended: the latch lacks it."""
        shut = session.phase is Phase.ISOLATING and session.shut_itself
        if shut and self.latch.reason is None:
            self.latch.set(session.reason, ORDINARY, self.clock.wall_s())

    def _restate(self) -> None:
        """What was done between two readings shows at once."""
        now = self.status.but(
            phase=self.session.phase if self.session is not None else Phase.IDLE,
            feed_open=self.parts.valve.is_open,
            latch=tuple(self.latch.reasons),
        )
        if now != self.status:
            self.status = now

    def _tell_unread(self) -> None:
        """Say what is known of a soak without a reading, which a broken bench may never give."""
        if self.session is not None:
            self.status = status_of(self, unread(self.session, self.t_s()), with_verdict=False)

    def _take_up(self) -> None:
        """Do what the last run has left undone, and go on with its soak."""
        found = take_up(self)
        if found is not None:
            self.session, t_s = found
            with self.lock:
                self.sampler = self._sampler(self.clock.boot_s(), t_s)
                self.guard = Guard(self.bench.guard, self._rack_g())
                if self.session.filled:
                    self.guard.already_filled()
        self._take_latched()
        if self.session is not None:
            self._latch_again(self.session)
            go_on(self, self.session)
            self.later(self._tell_unread)
        for soak in self.journal.owed():
            self.concluded(soak)


def _of(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"
