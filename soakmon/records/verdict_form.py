"""The fixed JSON form of a verdict, ``soakmon.verdict/1``: written and read by one model.

Records, MQTT, API, messages and terminal read it. Verdicts of earlier versions lack what later ones
tell: each such key has a default, and stays out when the same is written again. Without numpy, so
that a command reads it at once.
"""

from __future__ import annotations

import json
import math
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from soakmon.watch.figures import rounded, rounded_down, rounded_up
from soakmon.watch.verdict import Alarm, Band, Cause, Fault, Leak, Outcome, Suspect, Verdict


class VerdictPart(BaseModel):
    """A part of the form; keys that are newer than this version are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class BandForm(VerdictPart):
    """A value with its limits, null where it is not known."""

    best: float | None = None
    low: float | None = None
    high: float | None = None

    @classmethod
    def of(cls, band: Band, digits: int) -> Self:
        """Rounded to so many digits, the limits outwards."""
        low, high = rounded_down(band.low, digits), rounded_up(band.high, digits)
        return cls(best=rounded(band.best, digits), low=low, high=high)

    def band(self) -> Band:
        """The same with NaN for what is not known."""
        values = (self.best, self.low, self.high)
        return Band(*(math.nan if value is None else value for value in values))


class AlarmForm(VerdictPart):
    """An alarm (see `watch.verdict.Alarm`)."""

    t_s: float | None
    kind: str
    carb: int | None
    leak_g_per_h: float | None
    text: str


class SuspectForm(VerdictPart):
    """A cause with its probability."""

    cause: Cause
    carb: int | None
    probability: float


class FaultForm(VerdictPart):
    """A disturbance or fault; carb: whose gate it is, told of gates alone."""

    t_s: float | None
    kind: str
    text: str
    carb: int | None = None


class BracketForm(VerdictPart):
    """When something began: between these, s from the first row."""

    low: float | None
    high: float | None


class LeakForm(VerdictPart):
    """A leak at a place (see `watch.verdict.Leak`)."""

    carb: int | None
    leak_g_per_h: BandForm
    since_s: BracketForm
    until_s: float | None
    lost_g: float | None

    @classmethod
    def of(cls, leak: Leak) -> Self:
        """As it is written down."""
        low, high = (rounded(at_s, 1) for at_s in leak.since_s)
        return cls(
            carb=leak.carb,
            leak_g_per_h=BandForm.of(leak.leak_g_per_h, 4),
            since_s=BracketForm(low=low, high=high),
            until_s=rounded(leak.until_s, 1),
            lost_g=rounded(leak.lost_g, 3),
        )

    def leak(self) -> Leak:
        """The leak as the decider tells it."""
        since_s = (_number(self.since_s.low), _number(self.since_s.high))
        return Leak(self.carb, self.leak_g_per_h.band(), since_s, self.until_s, self.lost_g)


class VerdictForm(VerdictPart):
    """A verdict as it is written down and sent. Masses in g, rates in g/h, times in s."""

    schema_: Literal["soakmon.verdict/1"] = Field(default="soakmon.verdict/1", alias="schema")
    verdict: Outcome
    reason: str = ""
    duration_s: float | None = None
    observed_loss_g: float | None = None
    expected_evaporation_g: BandForm = BandForm()
    leak_g_per_h: BandForm = BandForm()
    smallest_provable_leak_g_per_h: float | None = None
    drops: tuple[int, ...] = ()
    alarms: tuple[AlarmForm, ...] = ()
    suspects: tuple[SuspectForm, ...] = ()
    faults: tuple[FaultForm, ...] = ()
    leaks: tuple[LeakForm, ...] = ()
    caught_g: tuple[float | None, ...] = ()

    def model_post_init(self, _context: object) -> None:
        """The form's name is always written."""
        self.model_fields_set.add("schema_")

    @classmethod
    def of(cls, verdict: Verdict) -> Self:
        """A verdict, rounded as it is written down."""
        smallest = verdict.smallest_provable_leak_g_per_h
        return cls(
            verdict=verdict.outcome,
            reason=verdict.reason,
            duration_s=rounded(verdict.duration_s, 1),
            observed_loss_g=rounded(verdict.observed_loss_g, 3),
            expected_evaporation_g=BandForm.of(verdict.expected_evaporation_g, 3),
            leak_g_per_h=BandForm.of(verdict.leak_g_per_h, 4),
            smallest_provable_leak_g_per_h=(
                None if smallest is None else rounded_up(float(smallest), 4)
            ),
            drops=verdict.drops,
            alarms=tuple(map(_alarm, verdict.alarms)),
            suspects=tuple(
                SuspectForm(cause=suspect.cause, carb=suspect.carb, probability=suspect.probability)
                for suspect in verdict.suspects
            ),
            faults=tuple(map(_fault, verdict.faults)),
            leaks=tuple(map(LeakForm.of, verdict.leaks)),
            caught_g=tuple(rounded(caught, 3) for caught in verdict.caught_g),
        )

    def as_dict(self) -> dict[str, Any]:
        """As JSON types; what an earlier version did not tell stays out."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True)

    def as_line(self) -> str:
        """As it is printed, in one line."""
        return json.dumps(self.as_dict()) + "\n"

    def to_verdict(self) -> Verdict:
        """The verdict as the decider gave it, but for its rounding."""
        return Verdict(
            self.verdict,
            self.reason,
            _number(self.duration_s),
            self.observed_loss_g,
            self.expected_evaporation_g.band(),
            self.leak_g_per_h.band(),
            self.smallest_provable_leak_g_per_h,
            self.drops,
            tuple(
                Alarm(_number(alarm.t_s), alarm.kind, alarm.carb, alarm.leak_g_per_h, alarm.text)
                for alarm in self.alarms
            ),
            tuple(
                Suspect(suspect.cause, suspect.carb, suspect.probability)
                for suspect in self.suspects
            ),
            tuple(
                Fault(_number(fault.t_s), fault.kind, fault.text, fault.carb)
                for fault in self.faults
            ),
            tuple(leak.leak() for leak in self.leaks),
            tuple(map(_number, self.caught_g)),
        )


def _alarm(alarm: Alarm) -> AlarmForm:
    return AlarmForm(
        t_s=rounded(alarm.t_s, 1),
        kind=alarm.kind,
        carb=alarm.carb,
        leak_g_per_h=rounded(alarm.leak_g_per_h, 3),
        text=alarm.text,
    )


def _fault(fault: Fault) -> FaultForm:
    form = FaultForm(t_s=rounded(fault.t_s, 1), kind=fault.kind, text=fault.text)
    return form if fault.carb is None else form.model_copy(update={"carb": fault.carb})


def _number(value: float | None) -> float:
    return math.nan if value is None else value
