"""Histories of a bench on which everything breaks, in any order and at once."""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from soakmon.bench.ports import Press
from soakmon.bench.service import Service
from soakmon.records.latch import NAME as LATCH
from tests.faults.broker import ORDERED
from tests.faults.disk import Note, State
from tests.faults.life import Life
from tests.faults.parts import Cell, Gate, Valve
from tests.faults.racks import COMMANDS, RACKS
from tests.faults.watch import Watch

_SOAK_H = 0.1
# Where there is one: memory, not a card, so that a commit costs nothing.
_ROOM = Path("/dev/shm")
_BY_ITSELF = ("preflight", "filling", "settling", "soaking")
_PHASES = ("idle", *_BY_ITSELF, "isolating", "ended")
_BUILT_EVERY_S = 5.0
# Longer than a caller waits for its answer, shorter than a silence that shuts the feed.
_TOO_LATE_S = 16.0
_SHORT = st.sampled_from([10.0, 60.0, 200.0])
_GAPS = st.sampled_from([1.0, 40.0, 700.0, 2400.0, 7 * 3600.0, 30 * 3600.0])
_JUMPS = st.sampled_from([-86400.0 * 400, -3600.0, -1.0, 1.0, 3600.0, 86400.0 * 400])


class Histories(RuleBasedStateMachine):
    """One history: a rack, what breaks on its bench, and what people do."""

    life: Life
    watch: Watch

    @initialize(
        rack=st.sampled_from(sorted(RACKS)),
        every_s=st.sampled_from([2.0, 5.0]),
        phase=st.sampled_from(_PHASES),
        job=st.sampled_from([False] * 9 + [True]),
    )
    def build(self, rack: str, every_s: float, phase: str, job: bool) -> None:
        """A bench that has come to a phase without a fault, or as far as its rack lets it."""
        room = _ROOM if _ROOM.is_dir() else None
        self.folder = Path(tempfile.mkdtemp(prefix="faults-", dir=room))
        scenario = RACKS[rack]
        self.life = Life(self.folder, scenario, _BUILT_EVERY_S, _SOAK_H)
        self.watch = Watch(self.life, leaks=bool(scenario.defects))
        self.placed = self.life.disk.in_place()
        self.placed.__enter__()
        if job:
            self.life.open_job()
        self.life.begin()
        self.wait(10.0)
        if phase != "idle":
            self.start(twice=False)
            goal = phase if phase in _BY_ITSELF else "settling"
            self.wait_until({goal, "isolating", "ended"})
            if phase in {"isolating", "ended"}:
                self.command("isolate" if phase == "isolating" else "end")
        self.life.every_s = every_s

    # -- time ------------------------------------------------------------------------------------

    @rule(seconds=_SHORT)
    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / self.life.every_s)):
            self.tick()

    @rule()
    def wait_until_it_soaks(self) -> None:
        """Past filling and settling, as far as it comes."""
        self.wait_until({"idle", "soaking", "isolating", "ended"})

    def wait_until(self, phases: set[str]) -> None:
        for _ in range(round(2400 / self.life.every_s)):
            service = self.life.service
            session = service.session if service is not None else None
            if (str(session.phase) if session is not None else "idle") in phases:
                return
            self.tick()

    def tick(self) -> bool:
        lived = self.life.tick()
        self.watch.look(lived=lived)
        return lived

    # -- people ----------------------------------------------------------------------------------

    @rule(twice=st.booleans())
    def start(self, twice: bool) -> None:
        asked = [self._confirmed(self._start) for _ in range(1 + twice)]
        self.tick()
        done = [a for a in asked if a is not None and a.done() and a.exception() is None]
        assert len(done) <= 1, "a doubled start began two soaks"
        self.watch.begun |= {one.result() for one in done}

    @rule()
    def mend_all_and_start_afresh(self) -> None:
        """So that what breaks next meets an open feed."""
        self._mend()
        self.command("end")
        self.start(twice=False)
        self.wait_until({"idle", "filling", "isolating", "ended"})

    @rule()
    def resume(self) -> None:
        self._confirmed(COMMANDS["resume"])
        self.tick()

    def _start(self, service: Service) -> int:
        return service.commands.start_soak("rack", self.life.job, cautions_confirmed=True)

    def _confirmed(self, command: Callable[[Service], Any]) -> Future[Any] | None:
        """A command of somebody who knows what the bench has told so far."""
        known = set(self.watch.known)

        def carried_out(service: Service) -> Any:
            result = command(service)
            self.watch.person_opened(known)
            return result

        return self.life.ask(carried_out)

    @rule(what=st.sampled_from(["start", "end", "isolate", "resume"]))
    def ask_and_go_away(self, what: str) -> None:
        """Who asked does not wait: nothing may be done any more."""
        self.tick()
        before = self._seen()
        if self.life.ask(COMMANDS[what], given_up=True) is None:
            return
        assert self._seen() == before
        self.life.service.worker.drain()
        assert self._seen() == before, f"{what} was carried out though nobody waited"

    @rule(
        what=st.sampled_from(["start", "end", "isolate", "resume"]),
        how=st.sampled_from(["answered", "cancelled", "late"]),
    )
    def page_asks(self, what: str, how: str) -> None:
        """By the page or the control socket: who has gone, or was told that it is too late."""
        known, ran = set(self.watch.known), []

        def carried_out(service: Service) -> Any:
            result = (self._start if what == "start" else COMMANDS[what])(service)
            ran.append(result)
            if what in _OPENING:
                self.watch.person_opened(known)
            else:
                self.watch.shut()
            return result

        asked = self.life.page_asks(carried_out)
        if asked is None:
            return
        if how == "cancelled":
            asked.cancel()
            self.life.turn()
        if how == "late":
            self.worker_hangs(_TOO_LATE_S)
            self.life.turn()
        lived = self.tick()
        if how != "answered":
            assert not ran, f"{what} was carried out though nobody waited"
        elif lived and what == "start" and asked.done() and asked.exception() is None:
            self.watch.begun.add(asked.result())

    @rule(what=st.sampled_from(["acknowledge", "isolate", "end"]), goes=st.booleans())
    def order_by_mqtt(self, what: str, goes: bool) -> None:
        """A command by way of the broker, which may go before it is carried out."""
        self.life.broker.order(what)
        self.life.turn()
        self.watch.acknowledged()
        if goes:
            self.life.broker.set("gone")
            self.life.turn()
        self.tick()
        service = self.life.service
        if service is None or service.session is None:
            return
        # Whatever came of it: shut by a person is what the note or the end of the soak says.
        isolated = any(ORDERED in reason for reason in service.latch.reasons)
        if isolated or (what == "end" and service.session.phase == "ended"):
            self.watch.shut()

    def _seen(self) -> Any:
        service = self.life.service
        session = service.session if service is not None else None
        return session and (service.journal.soak, session.phase, self.life.faulty.commanded)

    @rule(what=st.sampled_from(["end", "isolate"]))
    def command(self, what: str) -> None:
        asked = self.life.ask(COMMANDS[what])
        if self.tick() and asked is not None and asked.exception(0) is None:
            self.watch.shut()

    @rule()
    def acknowledge(self) -> None:
        self.life.ask(lambda s: s.commands.acknowledge())
        self.watch.acknowledged()
        self.tick()

    @rule(press=st.sampled_from(Press))
    def press(self, press: Press) -> None:
        self.life.faulty.world.presses.append(press)
        self.watch.acknowledged()
        self.tick()

    # -- what breaks -----------------------------------------------------------------------------

    @rule(how=st.sampled_from(Cell), sparse_s=st.sampled_from([3.0, 20.0, 61.0, 119.0]))
    def break_cell(self, how: Cell, sparse_s: float) -> None:
        self.life.faulty.faults.cell, self.life.faulty.faults.sparse_s = how, sparse_s
        self.life.faulty.faults.ever.add(how)

    @rule(how=st.sampled_from(Valve))
    def break_valve(self, how: Valve) -> None:
        self.life.faulty.faults.valve = how
        self.life.faulty.faults.ever.add(how)

    @rule(how=st.sampled_from(Gate))
    def break_gate(self, how: Gate) -> None:
        self.life.faulty.faults.gate = how
        self.life.faulty.faults.ever.add(how)

    @rule(how=st.sampled_from(["", "none", "raises"]))
    def break_thermometer(self, how: str) -> None:
        self.life.faulty.faults.air = how

    @rule(how=st.sampled_from(["", "raises"]))
    def break_panel(self, how: str) -> None:
        self.life.faulty.faults.panel = how

    @rule(alarm=st.booleans())
    def vapour(self, alarm: bool) -> None:
        self.life.faulty.world.vapour = alarm
        self.tick()

    @rule(state=st.sampled_from(State))
    def break_disk(self, state: State) -> None:
        self.life.disk.state = state

    @rule(state=st.sampled_from(Note))
    def break_latch(self, state: Note) -> None:
        """The file of the latch takes nothing, or cannot be opened at the next start."""
        self.life.disk.note.state = state

    @rule(way=st.sampled_from(["up", "gone", "refuses", "hangs", "throws away"]))
    def break_broker(self, way: str) -> None:
        self.life.broker.set(way)

    @rule(seconds=st.sampled_from([16.0, 40.0]))
    def worker_hangs(self, seconds: float) -> None:
        self.life.stuck = self.life.service is not None
        for _ in range(math.ceil(seconds / self.life.every_s)):
            self.tick()
        self.life.stuck = False

    @rule(way=st.sampled_from(["up", "refuses", "hangs"]))
    def break_phone(self, way: str) -> None:
        self.life.phone.set(way)

    @rule(by_s=_JUMPS)
    def wall_clock_jumps(self, by_s: float) -> None:
        self.life.clock.jumped_s += by_s

    # -- what dies -------------------------------------------------------------------------------

    @rule()
    def kill(self) -> None:
        self.kill_now()
        self.tick()

    def kill_now(self) -> None:
        if self.life.service is not None:
            self.life.die()

    @rule(after=st.integers(1, 60), done=st.booleans())
    def kill_at_a_statement_of_the_journal(self, after: int, done: bool) -> None:
        self.life.disk.statements_left, self.life.disk.after = after, done
        self.wait(20.0)

    @rule(after=st.integers(1, 4000))
    def kill_at_a_line(self, after: int) -> None:
        self.life.disk.lines_left = after
        self.wait(20.0)

    @rule(gap_s=_GAPS, knows_time=st.booleans())
    def cut_power(self, gap_s: float, knows_time: bool) -> None:
        self.life.cut_power(gap_s, knows_time=knows_time)
        self.tick()

    @rule(name=st.sampled_from(["sampler", "worker", "keeper", "teller", "scribe", "journal"]))
    def thread_ends(self, name: str) -> None:
        """And the process with it, in some seconds."""
        if self.life.service is not None:
            self.watch.shut()
        self.life.thread_ends(name)
        self.tick()

    @rule(page=st.integers(0, 200), noise=st.binary(min_size=1, max_size=64))
    def damage_the_journal(self, page: int, noise: bytes) -> None:
        """Only a person opens the feed of a bench whose journal was set aside."""
        self.life.damage(page, noise)
        self.watch.lost_journal()
        self.tick()

    @rule()
    def lose_the_note(self) -> None:
        """The process dies, and the note that keeps the feed shut is lost with it."""
        self.kill_now()
        (self.folder / LATCH).unlink(missing_ok=True)
        self.watch.lost_note()
        self.watch.shut()
        self.tick()

    @precondition(lambda self: self.life.service is not None)
    @rule(seconds=st.sampled_from([25.0, 130.0]))
    def stand_still(self, seconds: float) -> None:
        """The process is stopped, and goes on."""
        self.life.faulty.pass_time(seconds)
        self.watch.stood_still()
        self.tick()

    # -- the end ---------------------------------------------------------------------------------

    def teardown(self) -> None:
        if not hasattr(self, "placed"):
            return
        with ExitStack() as last:
            last.callback(shutil.rmtree, self.folder, ignore_errors=True)
            last.push(self.placed)
            last.callback(self.life.bury)
            last.callback(self.life.phone.set, "up")
            self._end_well()
            self.watch.look_back()

    def _mend(self) -> None:
        life = self.life
        life.faulty.faults.heal()
        life.faulty.world.vapour = False
        life.disk.state, life.disk.note.state = State.WELL, Note.WELL
        life.disk.statements_left = life.disk.lines_left = None
        life.broker.set("up")
        life.phone.set("up")

    def _still_guarded(self) -> None:
        """Whatever has happened: a bench that is mended works, and guard and keeper shut it."""
        life = self.life
        self.mend_all_and_start_afresh()
        self.vapour(alarm=True)
        assert not life.faulty.commanded, "(a) open in vapour"
        self.vapour(alarm=False)
        if life.service is not None:
            life.faulty.command(True)
            life.service.keeper.keep()
            assert not life.faulty.commanded, "(a) the keeper leaves the feed open"

    def _end_well(self) -> None:
        """All is mended, and what still runs is ended."""
        life = self.life
        self._mend()
        self.wait(20.0)
        assert life.service is not None, "the service does not start again"
        self._still_guarded()
        life.ask(COMMANDS["end"])
        self.wait(20.0)
        # What is owed is done by the next start at the latest.
        life.die()
        self.wait(20.0)
        life.die()


_OPENING = ("start", "resume")
