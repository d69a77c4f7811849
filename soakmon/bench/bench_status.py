"""What the bench says of itself at any moment: one form for API, page, MQTT, messages, terminal.

Masses in g, times in s: t_s since the soak began, wall_s since 1970. Without numpy and the web
libraries, so that a command reads it at once.
"""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.phase import Phase


class StatusPart(BaseModel):
    """A part of the status; whoever reads it passes over keys that are newer than it knows."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class AlarmStatus(StatusPart):
    """An alarm (see `watch.verdict.Alarm`), and whether somebody has acknowledged it."""

    t_s: float
    kind: str
    carb: int | None
    leak_g_per_h: float | None
    text: str
    code: str = ""
    uid: str = ""
    acknowledged: bool = False
    acknowledged_by: str = ""


class AilStatus(StatusPart):
    """Trouble of a sensor that lasts, since since_s of the soak, and what to do."""

    code: str
    carb: int | None
    since_s: float
    text: str
    todo: str
    wakes: bool


class CheckStatus(StatusPart):
    """A check of the preflight."""

    name: str
    passed: bool
    text: str
    warning: bool = False


class InterruptionStatus(StatusPart):
    """The service was not running until t_s, for gap_s; known: whether that is the true length."""

    t_s: float
    gap_s: float
    known: bool


class OutletHealth(StatusPart):
    """An outlet; times are wall time, s.

    state: off, starting, up or down. lag counts the journal entries (phone: messages) that still
    have to go out, waiting_since_wall_s is the time of the oldest; last_sent_wall_s: a phone's last
    message that was taken.
    """

    name: str
    state: str
    since_wall_s: float = 0.0
    last_ok_wall_s: float | None = None
    last_sent_wall_s: float | None = None
    lag: int = 0
    waiting_since_wall_s: float | None = None
    last_error: str = ""
    restarts: int = 0
    parked: int = 0


class BenchStatus(StatusPart):
    """What was never set stays out of what is sent: a bench without a soak has no `soak`.

    verdict: so far, or final once the phase is ended; latch:
    why the feed must stay shut. The troubles are empty while all is well.
    """

    schema_: Literal["soakmon.status/1"] = Field(default="soakmon.status/1", alias="schema")
    bench: str = "bench"
    phase: Phase = Phase.IDLE
    t_s: float = 0.0
    wall_s: float | None = Field(default=None, description="of the reading; none before the first")
    zone: str = ""
    mass_g: float | None = None
    air_c: float | None = None
    feed_open: bool | None = None
    cell_trouble: str = ""
    journal_trouble: str = ""
    guard_trouble: str = ""
    latch: tuple[str, ...] = Field(default=(), description="why the feed must stay shut")
    vapour_alarm: bool | None = None
    untold: str = Field(default="", description="why nobody would be told of an alarm")
    alarms: tuple[AlarmStatus, ...] = ()
    # Of a soak.
    soak: int | None = None
    reason: str | None = None
    shut_itself: bool = False
    soaked_s: float = 0.0
    left_s: float = 0.0
    drops: tuple[int, ...] = ()
    ails: tuple[AilStatus, ...] = ()
    blind_gates: tuple[int, ...] = Field(default=(), description="counted from 1")
    checks: tuple[CheckStatus, ...] = ()
    interruptions: tuple[InterruptionStatus, ...] = ()
    dry_at_wall_s: float | None = None
    verdict: VerdictForm | None = None
    # Of an answer of the API.
    age_s: float = Field(default=0.0, description="how old all of this is")

    def model_post_init(self, _context: object) -> None:
        """The form's name is always sent."""
        self.model_fields_set.add("schema_")

    def but(self, **changes: object) -> Self:
        """The same with some values replaced, which are not checked again."""
        return self.model_copy(update=changes)

    def only(self, names: set[str]) -> Self:
        """The same with these values alone, for who has the others."""
        part = self.model_copy()
        part.model_fields_set.intersection_update(names)
        return part

    def as_dict(self) -> dict[str, Any]:
        """As it is sent: JSON types, what was never set left out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)

    @property
    def waiting(self) -> list[AlarmStatus]:
        """Alarms that nobody has acknowledged."""
        return [alarm for alarm in self.alarms if not alarm.acknowledged]
