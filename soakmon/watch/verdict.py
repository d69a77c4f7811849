"""The verdict of a soak as plain values; `records.verdict_form` is the form it is written in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from soakmon.texts import say
from soakmon.watch.figures import plain, rate


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
    """A disturbance or fault; kind is one of the fixed words of the verdict form.

    carb: the one whose gate it is, None: of no gate.
    """

    t_s: float
    kind: str
    text: str
    carb: int | None = None


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause with its probability; probabilities of a verdict's suspects sum to 1."""

    cause: Cause
    carb: int | None
    probability: float


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak at a place: carb (None: no gate sees it) and its rate, g/h.

    The rate is the mean since it began, and of one that stopped the mean over the soak.
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
