"""The bench service: what a soak needs, put together, and what is done with a row.

sampler thread   reads the parts, asks the guard, shuts the valve itself; nothing else delays it
                 (`sampling`)
worker thread    owns session and journal; rows and commands reach it through one queue (`worker`)
keeper thread    compares what is with what must be: silent threads, a feed that is open (`keeper`)
teller thread    tells of alarms out of memory (`teller`)
scribe thread    brings the latch to disk
air thread       the thermometer, which may take a second
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

from soakmon.bench.alarms import Alarms, Wrong
from soakmon.bench.bench_status import BenchStatus, OutletHealth
from soakmon.bench.edges import Drop
from soakmon.bench.ending import events_of_end
from soakmon.bench.feed import Feed
from soakmon.bench.keeper import Keeper
from soakmon.bench.panel import SturdyPanel
from soakmon.bench.ports import BenchParts, Press
from soakmon.bench.preflight import Check, check_context, check_machine, check_outlets, check_supply
from soakmon.bench.readings import Readings
from soakmon.bench.records_port import ContextProvider
from soakmon.bench.resume import take_up
from soakmon.bench.sampler import Sampler
from soakmon.bench.sampling import Sampling
from soakmon.bench.session import RUNNING, Session
from soakmon.bench.soak_commands import SoakCommands
from soakmon.bench.stall import Stalls
from soakmon.bench.status_board import StatusBoard
from soakmon.bench.teller import Listener, Teller
from soakmon.bench.threads import Threads
from soakmon.bench.work import Beats
from soakmon.bench.worker import Worker
from soakmon.config import Bench
from soakmon.errors import DamagedError, named
from soakmon.records.events import EventForm, Recorded, as_recorded
from soakmon.records.journal import Anchor, Journal
from soakmon.records.latch import NAME as LATCH
from soakmon.records.latch import Latch
from soakmon.records.soak_context import SoakContext
from soakmon.records.verdict_form import VerdictForm
from soakmon.texts import say
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm

log = logging.getLogger(__name__)


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
        self.boot, self.clock = boot, parts.clock
        self.alive, self.concluded, self.fell = alive, concluded, fell
        self.context_for = context_for
        self.session: Session | None = None
        self.status = BenchStatus(phase=Phase.IDLE)
        self.stalls = Stalls()
        self.fallen: list[str] = []
        self.outlets: Callable[[], list[OutletHealth]] = list
        self.journal_trouble = ""
        self.beats = Beats()
        self.listeners: list[Listener] = []
        self.panel = SturdyPanel(parts.panel, self._panel_broke)
        self.latch = Latch(journal.path.with_name(LATCH))
        self.feed = Feed(parts.valve, self.latch, lambda: self.sampling.levels, self.clock.wall_s)
        self.teller = Teller(self.latch, self.panel, self.listeners)
        self.worker = Worker(self)
        self.alarms = Alarms(self.feed, self.teller, self.worker.later, self.take_alarm)
        self.sampling: Sampling = Sampling(
            bench, parts, self.feed, self.alarms,
            beats=self.beats, work=self.worker.queue, sound=self.sound,
        )  # fmt: skip
        self.readings = Readings(self.sampling, self.clock)
        self.board = StatusBoard(self)
        self.keeper = Keeper(self, self.board)
        self.commands = SoakCommands(self, self.worker)
        self.threads = Threads(self, self.sampling, self.worker, self.keeper)

    # -- its life --------------------------------------------------------------------------------

    def run(self) -> None:
        """Start the threads and take up a soak that was interrupted."""
        self.beats.sampler_s = self.beats.worker_s = self.clock.boot_s()
        if not self.latch.allocate():
            log.error("%s", self.latch.trouble)
        take_up(self)
        self.threads.start()

    def stop(self) -> None:
        """Shut the valve, stop the threads, commit the journal."""
        self.feed.close()
        self.threads.stop()
        self.teller.deliver()
        self.latch.close()
        self.journal.commit()
        self.parts.close()

    def thread_ended(self, name: str, error: BaseException | None) -> None:
        """A thread is gone, for whatever reason: shut, latched and told from here, then `fell`."""
        why = say("service.without_reason") if error is None else named(error)
        text = say("service.service_has_ended_service_starts", name=name, why=why)
        log.critical("%s", text, exc_info=error)
        self.fallen.append(text)
        try:
            self.sound("bench", text, Wrong.THREAD)
        finally:
            # From here on it may hang on a disk: who ends the process does not wait for that.
            self.fell(text)
        self.board.restate_without_worker(text)
        self.latch.write()
        self.teller.deliver()

    # -- what its parts ask of it ----------------------------------------------------------------

    @property
    def sampler(self) -> Sampler:
        """What reads the parts for the soak that runs."""
        return self.sampling.sampler

    @property
    def hung(self) -> str:
        """Which threads give no sign of life, in words, or ""."""
        return self.keeper.hung

    def t_s(self) -> float:
        """Time of the soak now, in s."""
        return self.sampling.t_s()

    def later(self, action: Callable[[], None]) -> None:
        """Have the worker do something."""
        self.worker.later(action)

    def restate(self) -> None:
        """Have the status say what was done between two rows."""
        self.board.restate()

    def say_unread(self) -> None:
        """Have the status say what is known of a soak without a reading."""
        self.board.say_unread()

    def sound(
        self, kind: str, text: str, code: StrEnum, *, shut: bool = True, t_s: float | None = None
    ) -> None:
        """Raise an alarm of the service itself, from any thread; shut: the feed is shut for it."""
        at_s = self.t_s() if t_s is None else t_s
        self.alarms.trouble(Alarm(at_s, kind, None, None, text, code.value), shut=shut)

    def disk_trouble(self) -> str:
        """Why journal or latch cannot be written, or ""."""
        return self.journal.trouble or self.latch.trouble

    def check_around(self) -> list[Check]:
        """Judge what does not lie on the bench: machine and outlets."""
        machine = check_machine(
            Path(self.journal.path).parent,
            synchronised=self.clock.synchronised(),
            journal_trouble=self.disk_trouble(),
        )
        needed = self.bench.phone.needed
        machine += check_supply(self.parts.supply())
        return machine + check_outlets(self.outlets(), phone_needed=needed)

    # -- a soak, in the worker -------------------------------------------------------------------

    def new_session(self, context: SoakContext, judged_as: Bench | None = None) -> Session:
        """A session by what the records tell; judged_as: the bench as it was when it began."""

        def around() -> list[Check]:
            return [*self.check_around(), *check_context(context)]

        gates = self.parts.gates.count
        settings = context.applied((judged_as or self.bench).settings())
        return Session(
            self.bench, gates, self.record, self.feed, around,
            settings=settings, conclude=self._conclude,
        )  # fmt: skip

    def begin(self, context: SoakContext) -> None:
        """A session for a soak that begins now, with nothing left of the one before."""
        self.sampling.begin(0.0)
        self.session = self.new_session(context)
        self.alarms.loose.clear()
        self.stalls, self.worker.failures = Stalls(), 0

    def go_on_with(self, session: Session, t_s: float) -> None:
        """A session that the journal has given back, at its time now."""
        self.session = session
        self.sampling.begin(t_s, filled=session.filled)

    def take(self, row: Rows, drops: list[Drop]) -> None:
        """A second's row with its drops."""
        session, t_s = self.session, float(row.t_s[-1])
        if session is not None and not session.ended:
            self.journal.add_rows(row, self._anchor(t_s))
            session.take(row, drops)
            self._look_again(session, row)
        self.readings.take(row, drops)
        self._pressed()
        self._look_at_journal(t_s)
        estimate = self.board.refresh(row)
        if estimate is not None:
            self.record(t_s, estimate)
        self.show_panel()

    def take_alarm(self, alarm: Alarm, shut: bool) -> None:
        """An alarm that was raised outside the session comes into it."""
        if self.session is not None:
            self.session.alarmed(alarm, shut=shut)
        else:
            self.alarms.loose.append(alarm)
            self.record(alarm.t_s, alarm)
        if self.feed.unseen:
            self.say_unread()
        self.show_panel()

    def pause(self, text: str, at_s: float, stood_s: float) -> None:
        """The bench stood still until at_s with the feed open: shut, and looked at again."""
        if self.session is not None and self.session.phase in RUNNING:
            self.session.pause(text)
            limits, guard = self.bench.guard, self.sampling.guard
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

    def _conclude(self, session: Session) -> None:
        """Write down all that is said of the end in one transaction, and then make the report."""
        assert session.decision is not None
        events = events_of_end(session, session.decision)
        with self.journal.together():
            self.journal.finish(session.t_s, VerdictForm.of(session.decision.verdict))
            for event in events:
                self.record(session.t_s, event)
        self.concluded(self.journal.soak)

    # -- journal and panel, in the worker --------------------------------------------------------

    def record(self, t_s: float, event: Recorded) -> None:
        """Tell of an event, and have it kept: neither waits for the other."""
        kind, data = as_recorded(event)
        self.teller.tell(t_s, kind, data)
        self.journal.add_event(t_s, self.clock.wall_s(), kind, data)

    def note(self, event: EventForm) -> None:
        """Record something that is no alarm."""
        self.record(self.t_s(), event)

    def _anchor(self, t_s: float) -> Anchor:
        boot_s = t_s - self.sampler.offset_s
        return Anchor(self.boot, t_s, boot_s, self.clock.wall_s(), self.clock.synchronised())

    def _pressed(self) -> None:
        for press in self.panel.presses():
            if press is Press.SHORT:
                self.commands.acknowledge(by=say("service.button_at_bench"))
            elif press is Press.HELD and self.session is not None and not self.session.ended:
                self.session.end(say("service.ended_bench"))

    def _panel_broke(self, text: str) -> None:
        self.sound("bench", text, Wrong.PANEL, shut=False)

    def show_panel(self) -> None:
        """Lamp and buzzer as they must be."""
        session = self.session
        waiting = self.alarms.waiting()
        alarms = [*waiting, *(session.alarms if session is not None else [])]
        waiting += session.unacknowledged if session is not None else []
        self.panel.show(lamp=bool(alarms), buzzer=bool(waiting))
