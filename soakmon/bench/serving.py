"""What threads, keeper, status and the next start share with the service, and ask of it."""

from __future__ import annotations

import queue
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol, TypeVar

from soakmon.bench.alarms import Alarms
from soakmon.bench.bench_status import BenchStatus
from soakmon.bench.commands import PendingCommand
from soakmon.bench.edges import Drop
from soakmon.bench.feed import Feed
from soakmon.bench.ports import BenchParts, Clock
from soakmon.bench.sampler import Sampler
from soakmon.bench.session import Session
from soakmon.bench.teller import Teller
from soakmon.config import Bench
from soakmon.records.journal import Journal
from soakmon.records.latch import Latch
from soakmon.records.soak_context import SoakContext
from soakmon.watch.rows import Rows

T = TypeVar("T")


@dataclass(slots=True)
class Beats:
    """Last sign of life of each thread, in boot time.

    None until they run: the keeper's, and that of the main loop, which hears commands.
    """

    sampler_s: float = 0.0
    worker_s: float = 0.0
    keeper_s: float | None = None
    loop_s: float | None = None


@dataclass(slots=True)
class Work:
    """Something for the worker: a second's row with its drops, a command, or something to do.

    source: the sampler that a row is from; its times mean nothing to another's soak.
    """

    source: Sampler | None = None
    row: Rows | None = None
    drops: list[Drop] = field(default_factory=list)
    asked: PendingCommand[Any] | None = None
    action: Callable[[], None] | None = None


class Serving(Protocol):
    """The service as its own parts know it; `service.Service` says what each member does."""

    bench: Bench
    parts: BenchParts
    clock: Clock
    journal: Journal
    boot: str
    beats: Beats
    feed: Feed
    latch: Latch
    teller: Teller
    alarms: Alarms
    sampler: Sampler
    session: Session | None
    status: BenchStatus
    work: queue.SimpleQueue[Work]
    alive: Callable[[], None]
    outlets: Callable[[], list[dict[str, Any]]]

    @property
    def hung(self) -> str:
        """Which threads give no sign of life, in words, or ""."""
        ...

    def sample(self) -> None:
        """One sample."""
        ...

    def read_air(self) -> None:
        """Read the thermometer."""
        ...

    def keep(self) -> None:
        """One look of the keeper."""
        ...

    def carry_out(self, work: Work, held: list[Drop]) -> list[Drop]:
        """One piece of work."""
        ...

    def call(self, command: Callable[[], T]) -> PendingCommand[T]:
        """Have the worker carry out a command."""
        ...

    def later(self, action: Callable[[], None]) -> None:
        """Have the worker do something."""
        ...

    def note(self, kind: str, data: dict[str, Any]) -> None:
        """Record something that is no alarm."""
        ...

    def sound(
        self, kind: str, text: str, code: StrEnum, *, shut: bool = True, t_s: float | None = None
    ) -> None:
        """Raise an alarm of the service itself."""
        ...

    def pause(self, text: str, at_s: float, stood_s: float) -> None:
        """The bench stood still."""
        ...

    def thread_ended(self, name: str, error: BaseException | None) -> None:
        """A thread is gone."""
        ...

    def t_s(self) -> float:
        """Time of the soak now, s."""
        ...

    def disk_trouble(self) -> str:
        """Why journal or latch cannot be written, or ""."""
        ...

    def new_session(self, told: SoakContext, judged_as: Bench | None = None) -> Session:
        """A session by what the records tell."""
        ...
