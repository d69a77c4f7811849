"""What threads, keeper, status and the next start share with the service, and ask of it."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Protocol

from soakmon.bench.alarms import Alarms
from soakmon.bench.bench_status import BenchStatus, OutletHealth
from soakmon.bench.edges import Drop
from soakmon.bench.feed import Feed
from soakmon.bench.ports import BenchParts, Clock
from soakmon.bench.records_port import ContextProvider
from soakmon.bench.sampler import Sampler
from soakmon.bench.session import Session
from soakmon.bench.teller import Teller
from soakmon.bench.work import Beats
from soakmon.config import Bench
from soakmon.records.events import EventForm, Recorded
from soakmon.records.journal import Journal
from soakmon.records.latch import Latch
from soakmon.records.soak_context import SoakContext
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm


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
    session: Session | None
    status: BenchStatus
    concluded: Callable[[int], None]
    context_for: ContextProvider
    alive: Callable[[], None]
    outlets: Callable[[], list[OutletHealth]]

    @property
    def sampler(self) -> Sampler:
        """What reads the parts for the soak that runs."""
        ...

    @property
    def hung(self) -> str:
        """Which threads give no sign of life, in words, or ""."""
        ...

    def later(self, action: Callable[[], None]) -> None:
        """Have the worker do something."""
        ...

    def take(self, row: Rows, drops: list[Drop]) -> None:
        """A second's row with its drops."""
        ...

    def restate(self) -> None:
        """Have the status say what was done between two rows."""
        ...

    def say_unread(self) -> None:
        """Have the status say what is known of a soak without a reading."""
        ...

    def show_panel(self) -> None:
        """Lamp and buzzer as they must be."""
        ...

    def record(self, t_s: float, event: Recorded) -> None:
        """Tell of an event, and have it kept."""
        ...

    def take_alarm(self, alarm: Alarm, shut: bool) -> None:
        """An alarm that was raised outside the session."""
        ...

    def go_on_with(self, session: Session, t_s: float) -> None:
        """A session that the journal has given back."""
        ...

    def begin(self, context: SoakContext) -> None:
        """A session for a soak that begins now."""
        ...

    def note(self, event: EventForm) -> None:
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

    def new_session(self, context: SoakContext, judged_as: Bench | None = None) -> Session:
        """A session by what the records tell."""
        ...
