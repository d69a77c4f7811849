"""A service in its lives: it is started, stepped, killed, and started again on the same folder."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import closing, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sim.parts import SimulatedBench, SteppedClock
from sim.scenario import Scenario
from soakmon.app.keep_results import keep_soak
from soakmon.app.serve import latched
from soakmon.bench import api
from soakmon.bench.alarms import Wrong
from soakmon.bench.resume import take_up
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.errors import SoakmonError, TroubleError
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board, State
from soakmon.reach.mqtt_outlet import MqttOutlet
from soakmon.reach.phone_outlet import PhoneOutlet
from soakmon.reach.supervise import ReachError, supervise
from soakmon.records.damage import open_journal
from soakmon.records.jobs.work import find_job, new_job
from soakmon.records.opening import now, open_records
from soakmon.records.outbox import Outbox
from soakmon.records.recall import recall
from soakmon.watch.verdict import Alarm
from tests.faults.broker import Broker, SteppedLoop
from tests.faults.disk import Disk, Killed
from tests.faults.parts import FaultyBench, Valve
from tests.reach.bench import AtOnce

_AIR_EVERY_S = 10.0
_PAGE_BYTES = 1024
# The main loop costs most, and nothing in it is looked at more closely.
_LOOP_EVERY_S = 10.0


def small_bench(soak_h: float) -> Bench:
    """A bench whose soaks are short, with one telephone and a broker."""
    return Bench.model_validate(
        {
            "service": {"soak_h": soak_h, "isolate_min": 2},
            "phone": {"enabled": True, "urls": ["json://owner.example"], "trouble_after_s": 30},
            "mqtt": {"enabled": True, "commands": True},
        }
    )


def alarms_of(service: Service) -> list[Alarm]:
    """All alarms that a service has raised, or taken over, and that are not over."""
    session = service.session
    return [*(session.alarms if session is not None else []), *service.alarms.waiting()]


class Phone:
    """Where messages go: up, refused or hanging; got: (world time in s, title, body)."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self.now_s = now_s
        self.way = "up"
        self.since_s = 0.0
        self.got: list[tuple[float, str, str]] = []
        self.back = threading.Event()

    def set(self, way: str) -> None:
        self.way, self.since_s = way, self.now_s()
        if way == "hangs":
            self.back = threading.Event()
        else:
            self.back.set()

    def deliver(self, target: Any, title: str, body: str, *, urgent: bool) -> None:
        if self.way == "hangs":
            self.back.wait()
            raise ReachError("the connection was lost")
        if self.way == "refuses":
            raise ReachError("the address refuses")
        self.got.append((self.now_s(), title, body))


class Life:
    """The bench of one history; `service` is None while it is down.

    reports: soaks whose report was made; rows: (soak, t_s, mass_g, world time) of all rows that
    were made; deaths: world times at which the process ended; left_open: at each, whether the
    journal on disk says that the feed was opened; fell: why it could not start, if
    that was no matter of its files.
    """

    def __init__(self, folder: Path, scenario: Scenario, every_s: float, soak_h: float) -> None:
        self.folder, self.every_s = folder, every_s
        bench = small_bench(soak_h)
        world = SimulatedBench(scenario, SteppedClock(), 1 / bench.cell.g_per_count, 0.0, hours=100)
        self.bench = bench
        self.faulty = FaultyBench(world)
        self.clock = self.faulty.clock
        self.disk = Disk()
        self.disk.waits = world.clock.sleep
        self.phone = Phone(self.world_s)
        self.broker = Broker()
        self.loop: SteppedLoop | None = None
        self.random = random.Random(11)
        self.boot = 1
        self.service: Service | None = None
        self.outlet: PhoneOutlet | None = None
        self.job: str | None = None
        self.reports: set[int] = set()
        self.heard: set[str] = set()
        self.inherited: set[str] = set()
        self.damaged = False
        self.stuck = False
        self.waits = False
        self.turned_s = float("-inf")
        self.looks: Callable[[], None] = lambda: None
        self.board = Board()
        self.rows: list[tuple[int, float, float, float]] = []
        self.deaths: list[float] = []
        self.left_open: list[bool] = []
        self.born_s = 0.0
        self.fell = ""
        self.air_s = float("-inf")

    def world_s(self) -> float:
        """Time as the world has it."""
        return self.faulty.world.clock.boot_s()

    # -- birth and death -------------------------------------------------------------------------

    def begin(self) -> None:
        """Start the service; it stays down while its journal cannot be opened."""
        try:
            with self.disk.mortal():
                self._begin()
        except Killed:
            self.die()
        except SoakmonError:
            self.bury()
        except Exception as error:
            self.fell = f"{type(error).__name__}: {error}"
            self.bury()

    def _begin(self) -> None:
        # What fell while nobody listened is counted by nobody.
        self.faulty.world.new_edges()
        opened = open_journal(self.folder / "journal.db", self.clock.wall_s())
        told = latched(opened, self.clock.wall_s())
        journal = opened.journal
        service = Service(self.bench, self.faulty.parts(), journal, boot=f"boot {self.boot}")
        self.service = service
        self.born_s = self.world_s()
        self._listen(service)
        # As `Service.run` does it, without its threads.
        service.beats.sampler_s = service.beats.worker_s = self.clock.boot_s()
        service.latch.allocate()
        service.listeners.append(self._hear)
        take_up(service)
        self.inherited = {alarm.uid for alarm in alarms_of(service)}
        self.board = Board(self.clock.wall_s, self.clock.boot_s)
        service.outlets = self.board.listed
        self.outlet = self._phone(service, self.board)
        self._mqtt(service, self.board)
        if told:
            service.sound("bench", told, Wrong.JOURNAL)
        service.keeper.keep()

    def _hear(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        if kind == "alarm":
            self.heard.add(data["uid"])

    def _phone(self, service: Service, board: Board) -> PhoneOutlet:
        board.add("phone", State.STARTING)
        outlet = PhoneOutlet(
            self.bench, service.journal.path, board,
            status=lambda: service.status, wall_s=self.clock.wall_s,
            deliver=self.phone.deliver, now_s=self.clock.boot_s,
        )  # fmt: skip
        outlet.aside = AtOnce()
        outlet.open()
        service.listeners.append(outlet.heard.hear)
        return outlet

    def _mqtt(self, service: Service, board: Board) -> None:
        board.add("mqtt", State.STARTING)
        self.loop = SteppedLoop(self.world_s)
        outlet = MqttOutlet(
            service, Outbox(service.journal.path, "mqtt"), board,
            backoff := Backoff(1.0, 8.0, self.random.random),
            reached=self.broker.reached, now_s=self.world_s,  # type: ignore[arg-type]
        )  # fmt: skip
        outlet.aside = AtOnce()
        service.listeners.append(outlet.heard.hear)
        self.loop.create_task(supervise("mqtt", outlet.work, board, backoff))
        self._settle()

    def _settle(self) -> None:
        """What page and broker do in the main loop."""
        assert self.loop is not None
        self.loop.settle()
        if self.disk.dead:
            raise Killed

    def _listen(self, service: Service) -> None:
        """Note every row that the worker is given."""
        take = service.worker.carry_out

        def carry_out(work, held):
            if work.row is not None and service.session is not None and not service.session.ended:
                t_s, mass_g = float(work.row.t_s[-1]), float(work.row.mass_g[-1])
                if work.source is service.sampler:
                    self.rows.append((service.journal.soak, t_s, mass_g, self.world_s()))
            return take(work, held)

        service.worker.carry_out = carry_out  # type: ignore[method-assign]

    def _report(self, service: Service) -> None:
        """Make the reports that are owed, and note it; the disk may refuse the note."""
        with suppress(sqlite3.Error, TroubleError):
            for soak in service.journal.owed():
                self.reports.add(soak)
                if self.job is not None:
                    keep_soak(self.folder, recall(service.journal.path, soak), [])
                service.journal.owe(soak, owed=False)

    def open_job(self) -> None:
        """All soaks are of a job from here on."""
        with open_records(self.folder, make=True) as records, records.session() as session:
            self.job = new_job(
                session, now(), customer="invented", machine="", rack="", carbs=4
            ).number

    def in_job(self) -> list[int]:
        """The soaks of which the job has a result, each as often as it has one."""
        assert self.job is not None
        with open_records(self.folder) as records, records.session() as session:
            kept = find_job(session, self.job).results
            return sorted(one.data["of_bench"]["soak"] for one in kept)

    def die(self) -> None:
        """The process ends here, without a word; the system takes the power from the valve."""
        self.deaths.append(self.world_s())
        self.bury()
        self.left_open.append(self._said_open())

    def _said_open(self) -> bool:
        """Whether the last that the journal says of the feed is that it was opened.

        A copy is read: whoever closes the file last would tidy up after the process that died.
        """
        with TemporaryDirectory() as folder, suppress(sqlite3.Error):
            for file in self.folder.glob("journal.db*"):
                shutil.copy(file, folder)
            with closing(sqlite3.connect(Path(folder) / "journal.db")) as copied:
                said = copied.execute(
                    "SELECT data FROM event WHERE kind = 'feed' "
                    "AND soak = (SELECT max(id) FROM soak) ORDER BY id DESC LIMIT 1"
                ).fetchone()
            return said is not None and bool(json.loads(said[0])["open"])
        return False

    def bury(self) -> None:
        """Let go of what a process holds; nothing is written any more."""
        self.broker.cut()
        if self.loop is not None:
            self.disk.dead = True
            self.loop.bury()
            self.loop = None
        latch = getattr(self.service, "latch", None)
        if latch is not None and latch.file is not None:
            with suppress(OSError):
                os.close(latch.file)
        self.disk.bury()
        self.service = self.outlet = None
        self.stuck = False
        self.faulty.command(False)

    def cut_power(self, gap_s: float, *, knows_time: bool) -> None:
        """No power for gap_s; then the machine boots, and may not know the time."""
        if self.service is not None:
            self.die()
        self.faulty.pass_time(gap_s)
        self.boot += 1
        self.clock.booted_s = self.world_s() - 5.0
        self.clock.knows = knows_time
        self.begin()

    # -- time ------------------------------------------------------------------------------------

    def tick(self) -> bool:
        """One step of everything; whether the service lived through it."""
        self.faulty.pass_time(self.every_s)
        if self.faulty.faults.valve is Valve.PIN and self.service is not None:
            self.faulty.command(True)
        if self.service is None:
            self.begin()
            return False
        try:
            with self.disk.mortal():
                self._step(self.service)
        except Killed:
            self.die()
            return False
        return True

    def _step(self, service: Service) -> None:
        service.sampling.sample()
        self.looks()
        service.keeper.keep()
        if self.world_s() - self.air_s >= _AIR_EVERY_S:
            self.air_s = self.world_s()
            with suppress(OSError):
                service.sampling.read_air()
        # What the disk refused is tried again, as the scribe's own thread does it.
        service.latch.write()
        if self.stuck:
            # The worker hangs; teller and scribe go on.
            service.teller.deliver()
        else:
            service.worker.drain()
        # What the disk refused is tried again, as the writer's own thread does it.
        service.journal.writer.commit()
        self._report(service)
        self.send()
        if self.world_s() - self.turned_s >= _LOOP_EVERY_S or self.waits:
            self.turned_s, self.waits = self.world_s(), False
            self._settle()

    def turn(self) -> None:
        """The main loop has a turn, before anybody else."""
        self.waits = True
        if self.loop is not None:
            self.loop.settle()

    def send(self) -> None:
        """What the phone's own thread does."""
        if self.outlet is not None:
            self.outlet.patience_s = 0.002 if self.phone.way == "hangs" else 1.0
            with suppress(ReachError, sqlite3.Error):
                self.outlet.step()

    def thread_ends(self, name: str) -> None:
        """A thread of the service has ended: it is told from its last words, and all is over."""
        if self.service is None:
            return
        with suppress(Killed), self.disk.mortal():
            self.service.thread_ended(name, RuntimeError("invented"))
            assert not self.faulty.commanded or self.service.feed.trouble, "(a) open at the end"
            self.send()
        self.die()

    def damage(self, page: int, noise: bytes) -> None:
        """The process dies, and what lies on a page of its journal is not what was written."""
        if self.service is not None:
            self.die()
        file = self.folder / "journal.db"
        pages = file.stat().st_size // _PAGE_BYTES if file.exists() else 0
        if pages > 1:
            self.damaged = True
            with file.open("r+b") as opened:
                opened.seek((1 + page % (pages - 1)) * _PAGE_BYTES)
                opened.write(noise)

    def page_asks(self, command: Callable[[Service], Any]) -> asyncio.Task[Any] | None:
        """A request of the page or the control socket; what becomes of it."""
        if self.service is None or self.loop is None:
            return None
        service = self.service
        asked = self.loop.create_task(api.do(service, lambda: command(service)))
        self.turn()
        return asked

    def ask(
        self, command: Callable[[Service], Any], *, given_up: bool = False
    ) -> Future[Any] | None:
        """Put a command into the worker's queue; given_up: who asked has gone before its turn."""
        if self.service is None:
            return None
        service = self.service
        future = service.worker.call(lambda: command(service))
        if given_up:
            future.cancel()
        return future
