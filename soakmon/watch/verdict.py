"""The verdict of a soak as plain values, and its fixed JSON form ``soakmon.verdict/1``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from soakmon.texts import say
from soakmon.watch.figures import plain, rate, rounded, rounded_down, rounded_up


class Outcome(StrEnum):
    """The three ways a soak can end."""

    TIGHT = "tight"
    LEAKING = "leaking"
    NOT_PROVEN = "not_proven"


class Cause(StrEnum):
    """What can be behind a loss."""

    NEEDLE_STUCK_OPEN = "needle_stuck_open"
    NEEDLE_WEEP = "needle_weep"
    OVERFLOW_TUBE_CRACK = "overflow_tube_crack"
    BOWL_JOINT_WEEP = "bowl_joint_weep"
    RAIL_JOINT_WEEP = "rail_joint_weep"
    NEEDLE_STUCK_SHUT = "needle_stuck_shut"
    BENCH_PLUMBING_LEAK = "bench_plumbing_leak"
    NO_LEAK = "no_leak"


@dataclass(frozen=True, slots=True)
class Band:
    """A value with its low and high limit (95 % unless said otherwise)."""

    best: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm: kind is flood, weep, starved or bench; carb counts from 1, None where unknown.

    code: the guard's plain word for what it found, empty for the decider's; uid: the bench's own
    mark, by which one who was told from memory knows it again; both are no part of the form.
    """

    t_s: float
    kind: str
    carb: int | None
    leak_g_per_h: float | None
    text: str
    code: str = ""
    uid: str = ""

    @property
    def leaks(self) -> bool:
        """Whether it says that fuel gets out, and not only that something is wrong."""
        return self.kind in {"weep", "flood"}


def leak_alarm(
    t_s: float, kind: str, carb: int | None, leak_g_per_h: float, lost_g: float | None = None
) -> Alarm:
    """An alarm that fuel gets out, in words; lost_g: of a leak that has ended, all that it lost."""
    much = say("verdict.about", leak_g_per_h=rate(leak_g_per_h))
    if lost_g is not None:
        much = say("verdict.about_until_it_ended", lost_g=plain(lost_g))
    if carb is not None:
        key = "verdict.carb_overflows" if kind == "flood" else "verdict.carb_weeps"
        text = say(key, carb=carb, much=much)
    elif kind == "flood":
        text = say("verdict.fuel_pouring_out_where_no", much=much)
    else:
        text = say("verdict.fuel_leaving_no_gate_sees", much=much)
    return Alarm(t_s, kind, carb, leak_g_per_h, text)


@dataclass(frozen=True, slots=True)
class Fault:
    """A disturbance or fault; kind is one of the fixed words of the verdict form."""

    t_s: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause with its probability; probabilities of a verdict's suspects sum to 1."""

    cause: Cause
    carb: int | None
    probability: float


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak at a place: carb (None: no gate sees it), its rate as a mean over the soak, g/h.

    since_s: 95 % bracket of its beginning, s from the first row; until_s, lost_g: when it stopped
    by itself and what it let out until then, None while it goes on.
    """

    carb: int | None
    leak_g_per_h: Band
    since_s: tuple[float, float]
    until_s: float | None
    lost_g: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the soak shows. Masses in g, rates in g/h, times in s from the first row.

    caught_g: by gate, drops times what a drop is believed to weigh.
    """

    outcome: Outcome
    reason: str
    duration_s: float
    observed_loss_g: float | None
    expected_evaporation_g: Band
    leak_g_per_h: Band
    smallest_provable_leak_g_per_h: float | None
    drops: tuple[int, ...]
    alarms: tuple[Alarm, ...]
    suspects: tuple[Suspect, ...]
    faults: tuple[Fault, ...]
    leaks: tuple[Leak, ...] = ()
    caught_g: tuple[float, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The fixed JSON form; contains only JSON types."""
        return {
            "schema": "soakmon.verdict/1",
            "verdict": self.outcome.value,
            "reason": self.reason,
            "duration_s": rounded(self.duration_s, 1),
            "observed_loss_g": rounded(self.observed_loss_g, 3),
            "expected_evaporation_g": _band(self.expected_evaporation_g, 3),
            "leak_g_per_h": _band(self.leak_g_per_h, 4),
            "smallest_provable_leak_g_per_h": _up(self.smallest_provable_leak_g_per_h, 4),
            "drops": list(self.drops),
            "alarms": [
                {
                    "t_s": rounded(alarm.t_s, 1),
                    "kind": alarm.kind,
                    "carb": alarm.carb,
                    "leak_g_per_h": rounded(alarm.leak_g_per_h, 3),
                    "text": alarm.text,
                }
                for alarm in self.alarms
            ],
            "suspects": [
                {
                    "cause": suspect.cause.value,
                    "carb": suspect.carb,
                    "probability": suspect.probability,
                }
                for suspect in self.suspects
            ],
            "faults": [
                {"t_s": rounded(fault.t_s, 1), "kind": fault.kind, "text": fault.text}
                for fault in self.faults
            ],
            "leaks": [
                {
                    "carb": leak.carb,
                    "leak_g_per_h": _band(leak.leak_g_per_h, 4),
                    "since_s": {
                        "low": rounded(leak.since_s[0], 1),
                        "high": rounded(leak.since_s[1], 1),
                    },
                    "until_s": rounded(leak.until_s, 1),
                    "lost_g": rounded(leak.lost_g, 3),
                }
                for leak in self.leaks
            ],
            "caught_g": [rounded(caught, 3) for caught in self.caught_g],
        }


def _up(value: float | None, digits: int) -> float | None:
    return None if value is None else rounded_up(float(value), digits)


def _band(band: Band, digits: int) -> dict[str, float | None]:
    return {
        "best": rounded(band.best, digits),
        "low": rounded_down(band.low, digits),
        "high": rounded_up(band.high, digits),
    }
