"""A service as the outlets see it: status, clock, commands and a real journal."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar

import numpy as np

from soakmon.bench.bench_status import BenchStatus
from soakmon.config import Bench
from soakmon.errors import SoakmonError
from soakmon.reach.aside import Aside
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board, State
from soakmon.records.journal import Anchor, Journal, SoakEntry
from soakmon.watch.rows import Rows

T = TypeVar("T")
START_WALL_S = 1_800_000_000.0


def bench_with(**sections: dict[str, Any]) -> Bench:
    return Bench.model_validate(sections)


def make_rows(t_s: float, count: int = 10, mass_g: float = 300.0) -> Rows:
    times = t_s + np.arange(count, dtype=float)
    drops = np.zeros((count, 4))
    drops[0, 1] = 1
    return Rows(times, mass_g - 1e-4 * times, np.full(count, 18.5), drops, None, np.ones(count))


class AtOnce(Aside):
    """Takes the place of a thread for the disk: the work is done in the caller's own."""

    def begin(self, work: Callable[[], T]) -> Future[T]:
        future: Future[T] = Future()
        try:
            future.set_result(work())
        except Exception as error:
            future.set_exception(error)
        return future


class FakeService:
    """Everything that an outlet asks of a service."""

    def __init__(self, folder: Path, bench: Bench) -> None:
        self.bench = bench
        self.commands = self.worker = self
        self.now_s = START_WALL_S
        self.clock = SimpleNamespace(wall_s=lambda: self.now_s)
        self.journal = Journal(folder / "journal.db")
        self.done: list[tuple[str, str]] = []
        self.status = BenchStatus(bench="bench", wall_s=self.now_s, mass_g=331.2, air_c=18.5)
        self.t_s = 0.0
        self.listeners: list[Callable[[float, str, dict[str, Any]], None]] = []

    def start(self, job: str | None = "J-17") -> int:
        entry = SoakEntry(0, "invented rack", job, self.now_s, 4, "{}", None, None)
        return self.journal.start(entry)

    def rows(self, count: int = 1) -> None:
        for _ in range(count):
            rows = make_rows(self.t_s)
            self.t_s += 10
            self.now_s += 10
            anchor = Anchor("boot", self.t_s - 1, self.t_s - 1, self.now_s - 1, True)
            self.journal.add_rows(rows, anchor)
            self.journal.commit()

    def event(self, what: str, **data: Any) -> None:
        self.journal.add_event(self.t_s, self.now_s, what, data)

    def tell(self, what: str, **data: Any) -> dict[str, Any]:
        """From memory to whoever listens; what the journal will be told."""
        for listener in self.listeners:
            listener(self.t_s, what, data)
        return data

    def alarm(self, kind: str = "weep", carb: int | None = 2, text: str = "invented") -> None:
        self.event("alarm", t_s=self.t_s, kind=kind, carb=carb, leak_g_per_h=0.4, text=text)

    def say(self, **status: Any) -> None:
        now = self.status.as_dict() | {"wall_s": self.now_s} | status
        self.status = BenchStatus.model_validate(now)

    def call(self, command) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(command())
        except SoakmonError as error:
            future.set_exception(error)
        return future

    def acknowledge(self, by: str) -> int:
        self.done.append(("acknowledge", by))
        return 1

    def isolate(self, reason: str) -> None:
        self.done.append(("isolate", reason))

    def end(self, reason: str) -> None:
        raise SoakmonError("no soak is running")


def board_with(name: str) -> Board:
    board = Board()
    board.add(name, State.STARTING)
    return board


def quick() -> Backoff:
    return Backoff(0.02, 0.1)


async def until(ready, seconds: float = 20.0) -> None:
    """Wait until something has come to pass."""
    end_s = asyncio.get_running_loop().time() + seconds
    while not ready():
        assert asyncio.get_running_loop().time() < end_s, "it did not come to pass"
        await asyncio.sleep(0.02)
