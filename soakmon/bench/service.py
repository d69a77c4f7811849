"""The bench service: threads around sampler, guard and session.

sampler thread   reads the parts, asks the guard, shuts the valve itself; nothing else delays it
worker thread    owns session and journal; rows and commands reach it through one queue
keeper thread    shuts the valve when sampler or worker give no sign of life, tells the supervisor
air thread       the thermometer, which may take a second
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from soakmon.bench import drawn
from soakmon.bench.book import Consult
from soakmon.bench.edges import Drop
from soakmon.bench.guard import Code, Guard, Trip
from soakmon.bench.ports import BenchParts, Press
from soakmon.bench.preflight import Check, check_machine, check_outlets, check_told
from soakmon.bench.resume import resume_session
from soakmon.bench.sampler import Sampler, Scale
from soakmon.bench.session import Phase, Session
from soakmon.bench.status import Weighed, estimate_of, status_of, weighed
from soakmon.bench.threads import Threads
from soakmon.config import Bench
from soakmon.errors import InputError, SoakmonError
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.records.jobs.text import clean_line
from soakmon.records.journal import Anchor, Journal, SoakEntry
from soakmon.records.told import EVENT as TOLD
from soakmon.records.told import Told, told_in
from soakmon.watch.rows import Rows

log = logging.getLogger(__name__)
T = TypeVar("T")
_VERDICT_EVERY_S = 60.0
_ESTIMATE_EVERY_S = 300.0
_AIR_LOG_EVERY_S, _AIR_LOG_LENGTH = 600.0, 288
_CONFIRM = "the cautions must be confirmed at the bench before the feed may open"


class RefusedError(SoakmonError):
    """A command that cannot be carried out now; says why."""


@dataclass(slots=True)
class Beats:
    """Last sign of life of each thread, in boot time."""

    sampler_s: float = 0.0
    worker_s: float = 0.0


@dataclass(slots=True)
class Work:
    """Something for the worker: a second's row with its drops, a trip, or a command.

    source: the sampler that a row is from; its times mean nothing to another's soak.
    """

    source: Sampler | None = None
    row: Rows | None = None
    drops: list[Drop] = field(default_factory=list)
    trips: list[Trip] = field(default_factory=list)
    command: Callable[[], Any] | None = None
    future: Future[Any] | None = None


class Service:
    """Runs a bench.

    boot: identity of this boot of the machine; alive: called by the keeper while all threads are
    well (for a watchdog); concluded: called with the number of a soak that has its verdict;
    consult: what the records tell a soak with a job (or none) that begins at a wall time in s.
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
        consult: Consult = lambda job, wall_s: Told(),
    ) -> None:
        self.bench, self.parts, self.journal = bench, parts, journal
        self.boot = boot
        self.alive = alive
        self.concluded = concluded
        self.consult = consult
        self.clock = parts.clock
        self.scale = Scale(bench.cell.g_per_count, bench.cell.zero_counts, bench.cell.capacity_g)
        self.lock = threading.Lock()
        self.work: queue.SimpleQueue[Work] = queue.SimpleQueue()
        self.beats = Beats()
        self.threads = Threads(self)
        self.session: Session | None = None
        self.status: dict[str, Any] = {"phase": str(Phase.IDLE)}
        self.renewed_s = time.monotonic()
        self.air_log: tuple[tuple[float, float], ...] = ()
        self.verdict_at_s = self.estimate_at_s = -math.inf
        self.sampler = self._sampler(self.clock.boot_s(), 0.0)
        self.guard = Guard(bench.guard, self._rack_g())
        self.hung = ""
        self.outlets: Callable[[], list[dict[str, Any]]] = list
        self.listeners: list[Callable[[float, str, dict[str, Any]], None]] = []

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
        self._take_up()
        self.threads.start()

    def stop(self) -> None:
        """Shut the valve, stop the threads, commit the journal."""
        self.parts.valve.shut()
        self.threads.stop()
        self.journal.commit()
        self.parts.close()

    def sample(self) -> None:
        """One sample: read, guard, and hand on."""
        with self.lock:
            source = self.sampler
            sample, row = source.sample()
            trips = self.guard.step(sample)
            if trips and sample.feed_open:
                self.parts.valve.shut()
            drops = source.take_drops()
        self.beats.sampler_s = self.clock.boot_s()
        if row is not None or trips or drops:
            self.work.put(Work(source, row, drops, trips))

    def carry_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        """One piece of work; drops are held until the row of their second has come."""
        if work.source is not None and work.source is not self.sampler:
            # It was waiting behind the start of a soak, and counts time from another beginning.
            return []
        held = held + work.drops
        if work.command is not None and work.future is not None:
            try:
                work.future.set_result(work.command())
            except Exception as error:  # the caller gets it, whatever it is
                work.future.set_exception(error)
        try:
            for trip in work.trips:
                self._tripped(trip)
            if work.row is not None:
                self._row(work.row, held)
                held = []
        except Exception:  # whatever it was: the feed is shut first, then it is passed on
            log.exception("the session failed")
            self.parts.valve.shut()
            raise
        return held

    def drain(self) -> None:
        """Do all that waits in the queue, in the caller's thread (for stepped runs)."""
        held: list[Drop] = []
        while not self.work.empty():
            held = self.carry_out(self.work.get(), held)

    def keep(self) -> None:
        """Shut the valve when a thread is silent; else say that all is well."""
        now_s = self.clock.boot_s()
        beats = {"sampler": self.beats.sampler_s, "worker": self.beats.worker_s}
        silent = [name for name, at_s in beats.items() if now_s - at_s > self.bench.guard.hung_s]
        if not silent:
            self.hung = ""
            self.alive()
            return
        self.parts.valve.shut()
        if not self.hung:
            self.hung = f"no sign of life from the {' and '.join(silent)}"
            log.error("%s: feed shut", self.hung)
            trip = Trip(self._t_s(), "bench", None, self.hung, Code.HUNG)
            self.work.put(Work(trips=[trip]))

    def read_air(self) -> None:
        """Read the thermometer and hand the value to the sampler."""
        reading = self.parts.thermometer.read()
        with self.lock:
            self.sampler.take_air(reading.value, self._t_s())

    def _t_s(self) -> float:
        return self.clock.boot_s() + self.sampler.offset_s

    # -- in the worker ---------------------------------------------------------------------------

    def _tripped(self, trip: Trip) -> None:
        log.warning("guard: %s", trip.text)
        if self.session is not None:
            self.session.trip(trip)
            self._panel()

    def _row(self, row: Rows, drops: list[Drop]) -> None:
        session = self.session
        if session is not None and not session.ended:
            self.journal.add_rows(row, self._anchor(float(row.t_s[-1])))
            session.take(row, drops)
            if session.ended:
                self._conclude(session)
        self._pressed()
        self._refresh(row)

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
        if session.decision is not None:
            # The decider is gone after a restart: what the page draws must not be.
            self._record(session.t_s, drawn.EVENT, drawn.columns(session, drawn.KEPT_POINTS))
            self.journal.finish(session.t_s, session.decision.verdict.as_dict())
            self.concluded(self.journal.soak)

    def _pressed(self) -> None:
        for press in self.parts.panel.presses():
            if self.session is None:
                continue
            if press is Press.SHORT:
                self.session.acknowledge()
            elif press is Press.HELD and not self.session.ended:
                self.session.end("ended at the bench")
                self._conclude(self.session)

    def _panel(self) -> None:
        session = self.session
        alarms = session.alarms if session is not None else []
        waiting = session.unacknowledged if session is not None else []
        self.parts.panel.show(lamp=bool(alarms), buzzer=bool(waiting))

    def _anchor(self, t_s: float) -> Anchor:
        return Anchor(
            self.boot,
            t_s,
            t_s - self.sampler.offset_s,
            self.clock.wall_s(),
            self.clock.synchronised(),
        )

    def _record(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        self.journal.add_event(t_s, self.clock.wall_s(), kind, data)
        for listener in self.listeners:
            listener(t_s, kind, data)

    def _set_feed(self, feed_open: bool) -> None:
        if feed_open:
            self.parts.valve.open()
        else:
            self.parts.valve.shut()

    def check_around(self) -> list[Check]:
        """Judge what does not lie on the bench: machine and outlets."""
        machine = check_machine(
            Path(self.journal.path).parent,
            synchronised=self.clock.synchronised(),
            journal_trouble=self.journal.trouble,
        )
        needed = self.bench.phone.needed
        return machine + check_outlets(self.outlets(), phone_needed=needed)

    def _new_session(self, told: Told) -> Session:
        def around() -> list[Check]:
            return [*self.check_around(), *check_told(told)]

        gates = self.parts.gates.count
        settings = told.applied(self.bench.settings())
        return Session(self.bench, gates, self._record, self._set_feed, around, settings=settings)

    # -- commands --------------------------------------------------------------------------------

    def call(self, command: Callable[[], T]) -> Future[T]:
        """Have the worker carry out a command; the future has its result."""
        future: Future[T] = Future()
        self.work.put(Work(command=command, future=future))
        return future

    def start_soak(self, title: str, job: str | None, *, cautions_confirmed: bool) -> int:
        """Begin a soak; RefusedError when one runs or the cautions are not confirmed."""
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        if self.session is not None and not self.session.ended:
            raise RefusedError("a soak is running: end it first")
        try:
            title = clean_line(title, "title", 200)
            told = self.consult(job, self.clock.wall_s())
        except InputError as error:
            raise RefusedError(str(error)) from None
        entry = SoakEntry(
            0, title, job, self.clock.wall_s(), self.parts.gates.count,
            self.bench.model_dump_json(), None, None,
        )  # fmt: skip
        number = self.journal.start(entry)
        air = self.sampler.air_c
        with self.lock:
            self.sampler = self._sampler(self.clock.boot_s(), 0.0)
            self.sampler.take_air(None if math.isnan(air) else air, 0.0)
            self.guard = Guard(self.bench.guard, self._rack_g())
        self.session = self._new_session(told)
        self._record(0.0, "phase", {"phase": str(Phase.PREFLIGHT), "reason": title})
        self._record(0.0, TOLD, told.as_dict())
        return number

    def running(self) -> Session:
        """The soak that runs; RefusedError when none does."""
        if self.session is None or self.session.ended:
            raise RefusedError("no soak is running")
        return self.session

    def isolate(self, reason: str) -> None:
        """Shut the feed and watch the decay."""
        session = self.running()
        if session.phase is Phase.PREFLIGHT:
            raise RefusedError("the feed is still shut: nothing to isolate")
        session.isolate(reason)

    def end(self, reason: str) -> None:
        """End the soak with its verdict."""
        session = self.running()
        session.end(reason)
        self._conclude(session)

    def acknowledge(self) -> int:
        """Acknowledge all alarms; how many were new."""
        count = self.session.acknowledge() if self.session is not None else 0
        self._panel()
        return count

    def resume_feed(self, *, cautions_confirmed: bool) -> None:
        """Open the feed again after an isolation by command."""
        if not cautions_confirmed:
            raise RefusedError(_CONFIRM)
        session = self.running()
        if session.phase is not Phase.ISOLATING:
            raise RefusedError("the feed is not isolated")
        if any(alarm.leaks for alarm in session.alarms):
            raise RefusedError("a leak was found: end the soak and mend it first")
        session.resume_feed()

    def weigh(self) -> Weighed:
        """What is on the cell now: mean and scatter over the last seconds."""
        return weighed(self.sampler.recent_counts, self.scale)

    def mean_air_c(self, since_wall_s: float) -> float | None:
        """Mean shop temperature since a wall time, °C, as far back as two days."""
        found = [air_c for wall_s, air_c in self.air_log if wall_s >= since_wall_s]
        return round(sum(found) / len(found), 2) if found else self.status.get("air_c")

    def _take_up(self) -> None:
        """Go on with a soak that the journal holds unfinished."""
        found = self.journal.resume()
        if found is None:
            return
        entry, anchor = found
        session = self._new_session(told_in(self.journal.read_events(entry.id)))
        t_s = resume_session(self, session, entry, anchor)
        self.session = session
        with self.lock:
            self.sampler = self._sampler(self.clock.boot_s(), t_s)
            self.guard = Guard(self.bench.guard, self._rack_g())
            self.guard.already_filled()
