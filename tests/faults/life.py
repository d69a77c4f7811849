"""A service in its lives: it is started, stepped, killed, and started again on the same folder."""

from __future__ import annotations

import json
import os
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
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.errors import SoakmonError, TroubleError
from soakmon.reach.health import Board, State
from soakmon.reach.phone_outlet import PhoneOutlet
from soakmon.reach.supervise import ReachError
from soakmon.records.journal import Journal
from tests.faults.disk import Disk, Killed
from tests.faults.parts import FaultyBench, Valve

_AIR_EVERY_S = 10.0


def small_bench(soak_h: float) -> Bench:
    """A bench whose soaks are short, with one telephone."""
    return Bench.model_validate(
        {
            "service": {"soak_h": soak_h, "isolate_min": 2},
            "phone": {"enabled": True, "urls": ["json://owner.example"], "trouble_after_s": 30},
        }
    )


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
        self.boot = 1
        self.service: Service | None = None
        self.outlet: PhoneOutlet | None = None
        self.reports: set[int] = set()
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
        journal = Journal(self.folder / "journal.db")
        service = Service(self.bench, self.faulty.parts(), journal, boot=f"boot {self.boot}")
        self.service = service
        self.born_s = self.world_s()
        self._listen(service)
        # As `Service.run` does it, without its threads.
        service.beats.sampler_s = service.beats.worker_s = self.clock.boot_s()
        service.latch.allocate()
        service._take_up()
        board = Board(self.clock.wall_s, self.clock.boot_s)
        board.add("phone", State.STARTING)
        outlet = PhoneOutlet(
            self.bench, journal.path, board,
            status=lambda: service.status, wall_s=self.clock.wall_s,
            deliver=self.phone.deliver, now_s=self.clock.boot_s,
        )  # fmt: skip
        outlet.open()
        service.listeners.append(outlet.heard.hear)
        self.outlet = outlet
        service.keep()

    def _listen(self, service: Service) -> None:
        """Note every row that the worker is given."""
        take = service.carry_out

        def carry_out(work, held):
            if work.row is not None and service.session is not None and not service.session.ended:
                t_s, mass_g = float(work.row.t_s[-1]), float(work.row.mass_g[-1])
                if work.source is service.sampler:
                    self.rows.append((service.journal.soak, t_s, mass_g, self.world_s()))
            return take(work, held)

        service.carry_out = carry_out  # type: ignore[method-assign]

    def _report(self, service: Service) -> None:
        """Make the reports that are owed, and note it; the disk may refuse the note."""
        with suppress(sqlite3.Error, TroubleError):
            for soak in service.journal.owed():
                self.reports.add(soak)
                service.journal.owe(soak, owed=False)

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
        latch = getattr(self.service, "latch", None)
        if latch is not None and latch.file is not None:
            with suppress(OSError):
                os.close(latch.file)
        self.disk.bury()
        self.service = self.outlet = None
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
        try:
            service.sample()
        except Exception as error:
            service.failed_to_sample(error)
        service.keep()
        if self.world_s() - self.air_s >= _AIR_EVERY_S:
            self.air_s = self.world_s()
            with suppress(OSError):
                service.read_air()
        service.drain()
        # What the disk refused is tried again, as the writer's own thread does it.
        service.journal.writer.commit()
        self._report(service)
        if self.outlet is not None:
            self.outlet.patience_s = 0.002 if self.phone.way == "hangs" else 1.0
            with suppress(ReachError, sqlite3.Error):
                self.outlet.step()

    def ask(
        self, command: Callable[[Service], Any], *, given_up: bool = False
    ) -> Future[Any] | None:
        """Put a command into the worker's queue; given_up: who asked has gone before its turn."""
        if self.service is None:
            return None
        service = self.service
        future = service.call(lambda: command(service))
        if given_up:
            future.cancel()
        return future
