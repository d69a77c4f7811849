"""What the events of the journal hold, kind by kind: written and read by the same forms.

Journals of earlier versions lack keys that later ones have: each has a default here that says so.
What an event of a kind that nobody knows holds stays as it is, and says nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from soakmon.records.journal import Event
from soakmon.records.soak_context import EVENT as CONTEXT
from soakmon.records.soak_context import SoakContext
from soakmon.records.verdict_form import BandForm, VerdictForm
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm, Fault


class EventForm(BaseModel):
    """What an event of a kind holds. schema: of this kind; without one it is the first."""

    model_config = ConfigDict(frozen=True, extra="ignore")
    KIND: ClassVar[str]
    schema_: int = Field(default=1, alias="schema")

    def as_data(self) -> dict[str, Any]:
        """As the journal has it: what was not given stays out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)


class PhaseChange(EventForm):
    """A phase begins."""

    KIND = "phase"
    phase: Phase
    reason: str = ""


class FeedChange(EventForm):
    """The feed was opened or shut; itself: the bench did it, nobody had asked."""

    KIND = "feed"
    open: bool
    reason: str = ""
    itself: bool = False


class AlarmsSeen(EventForm):
    """Somebody has acknowledged alarms: their places among those of the soak, and their marks.

    uids: None in journals of versions that gave alarms no marks. by: who it was, where that is
    known.
    """

    KIND = "ack"
    alarms: tuple[int, ...] = ()
    uids: tuple[str, ...] | None = None
    by: str = ""


class CheckResult(BaseModel):
    """A check of the preflight (see `bench.preflight.Check`)."""

    model_config = ConfigDict(frozen=True, extra="ignore")
    name: str
    passed: bool
    text: str
    warning: bool = False


class PreflightChecks(EventForm):
    """The checks of a preflight that has ended."""

    KIND = "preflight"
    checks: tuple[CheckResult, ...]


class Resumption(EventForm):
    """The soak goes on after gap_s, s; known: whether that is the true length."""

    KIND = "resumed"
    gap_s: float
    known: bool


class StandStill(EventForm):
    """The bench stood still for stood_s, s, with the feed shut."""

    KIND = "stalled"
    text: str
    stood_s: float


class Estimate(EventForm):
    """What is believed of a soak that runs: totals in g, rates in g/h, those of the last hour."""

    KIND = "estimate"
    observed_loss_g: float | None = None
    expected_evaporation_g: BandForm = BandForm()
    leak_g_per_h: BandForm = BandForm()
    loss_g_per_h: float | None = None
    expected_g_per_h: BandForm = BandForm()


class DropTimes(EventForm):
    """Drops of a second: carb, time in s, and for how many ms the beam was dark, where known."""

    KIND = "drops"
    drops: tuple[tuple[int, float, float] | tuple[int, float], ...] = ()


Form = TypeVar("Form", bound=EventForm)
Content = (
    PhaseChange | FeedChange | AlarmsSeen | PreflightChecks | Resumption | StandStill | Estimate
    | DropTimes
)  # fmt: skip
# What happens on a bench: all that the journal is given.
Recorded = EventForm | Alarm | Fault | VerdictForm | SoakContext
_FORMS: dict[str, type[Content]] = {
    form.KIND: form
    for form in (
        PhaseChange, FeedChange, AlarmsSeen, PreflightChecks, Resumption, StandStill, Estimate,
        DropTimes,
    )
}  # fmt: skip
_OF_WATCH: dict[str, TypeAdapter[Any]] = {
    "alarm": TypeAdapter(Alarm),
    "fault": TypeAdapter(Fault),
    "verdict": TypeAdapter(VerdictForm),
}


def as_recorded(event: Recorded) -> tuple[str, dict[str, Any]]:
    """Kind and data of an event, as the journal has them."""
    if isinstance(event, EventForm):
        return event.KIND, event.as_data()
    if isinstance(event, VerdictForm):
        return "verdict", event.as_dict()
    if isinstance(event, SoakContext):
        return CONTEXT, event.as_dict()
    return "alarm" if isinstance(event, Alarm) else "fault", asdict(event)


def content(event: Event) -> Content | Alarm | Fault | VerdictForm | None:
    """What an event holds; None of a kind without a form. Raises ValueError for a damaged one."""
    if event.kind in _OF_WATCH:
        parsed: Alarm | Fault | VerdictForm = _OF_WATCH[event.kind].validate_python(event.data)
        return parsed
    form = _FORMS.get(event.kind)
    return None if form is None else form.model_validate(event.data)


def contents(
    events: Iterable[Event],
) -> Iterator[tuple[Event, Content | Alarm | Fault | VerdictForm]]:
    """Events that have a form, each with what it holds, in order. Raises as `content` does."""
    for event in events:
        parsed = content(event)
        if parsed is not None:
            yield event, parsed


def all_of(form: type[Form], events: Iterable[Event]) -> list[Form]:
    """What the events of one kind hold, in order; a damaged one of another kind is no matter."""
    return [form.model_validate(event.data) for event in events if event.kind == form.KIND]
