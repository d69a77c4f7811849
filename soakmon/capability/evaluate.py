"""Blind nights through the decider: one night's judgement, and the smallest leak of many.

Nights come from a maker that is handed in, so nothing here knows a simulator.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import Any, Protocol

import numpy as np

from soakmon.capability.bound import Noise, least_sd_g_per_h
from soakmon.capability.plan import Case, Owner, Way
from soakmon.capability.tables import lower_share
from soakmon.watch.closing import signed_leak
from soakmon.watch.conclude import conclude
from soakmon.watch.decay import telling_s
from soakmon.watch.decide import watched
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Cause, Outcome, Verdict

_ERRORS_UP_TO_G_PER_DAY = 6.0
_NOTHING_LEAKS = (Cause.NO_LEAK, Cause.NEEDLE_STUCK_SHUT)
_ISOLATE_S, _NIGHT_S = 1800.0, 86400.0


@dataclass(frozen=True, slots=True)
class Night:
    """A night as made: what the decider gets, and the truth it must not see.

    leak_g_per_day: what really got out, mean since it began; began_s: first drop at the gate, or
    onset where no gate sees it; from_start: the leak was there from the fill on. kind: what
    disturbs it. curve: times in s and what had evaporated by then, g, (2, n); None: not known.
    onset_s: when the first fuel got out, NaN: not known, or none did.
    """

    rows: Rows
    settings: Settings
    noise: Noise
    leak_g_per_day: float
    carb: int | None
    cause: str
    began_s: float
    from_start: bool
    kind: str = "calm"
    curve: Floats | None = None
    onset_s: float = float("nan")


@dataclass(frozen=True, slots=True)
class Isolation:
    """The feed shut at shut_s and the decay watched until until_s."""

    shut_s: float
    until_s: float


class Maker(Protocol):
    """Makes the night of a case; the same night with the feed shut, if isolation is given."""

    def __call__(self, case: Case, isolation: Isolation | None = None) -> Night:
        """The rows, and the truth."""


@dataclass(frozen=True, slots=True)
class Result:
    """What became of a case; delay and CPU time in s, error and bound in g/day, None: not defined.

    alarmed: an alarm was raised on the way, whether or not the verdict kept it.
    suspects: (probability, whether it was the cause) of each suspect; isolated: the same once the
    feed was shut after the alarm, None where it never was. woken: there was any alarm at any time;
    evaporated: what truly did during the soak, low and high of what was said, g; rate: the same of
    the leak, g/h; no_leak: probability of that; smallest_g_per_day: smallest provable leak, None:
    none said; reads: readings of the loss inside the band that is drawn for them, readings in all,
    and 1 where the last was; blank_rel_sd: how sure the blank run before it was, None: none told;
    onset: when the leak began and both ends of what was said, s, None: none said, or several.
    """

    index: int
    leak_g_per_day: float
    way: str
    hard: bool
    outcome: str
    alarmed: bool
    delay_s: float | None
    carb_right: bool
    error_g_per_day: float | None
    bound_g_per_day: float | None
    seconds: float
    suspects: list[list[float]]
    isolated: list[list[float]] | None
    owner: str = Owner.DESCRIBED.value
    lost: float = 0.0
    kind: str = "calm"
    woken: bool = False
    evaporated: list[float] | None = None
    rate: list[float] | None = None
    no_leak: float | None = None
    smallest_g_per_day: float | None = None
    reads: list[int] | None = None
    blank_rel_sd: float | None = None
    onset: list[float] | None = None

    @property
    def cause_right(self) -> bool:
        """Whether the likeliest suspect was the cause."""
        return bool(self.suspects) and bool(self.suspects[0][1])

    @property
    def leaking(self) -> bool:
        """Whether the verdict is leaking."""
        return self.outcome == Outcome.LEAKING.value

    def as_dict(self) -> dict[str, Any]:
        """JSON types only."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Result:
        """As written; KeyError when it is not one."""
        return cls(**{field.name: values[field.name] for field in fields(cls)})


def judged(case: Case, maker: Maker, *, deep: bool = True) -> Result:
    """Make a night, let the decider judge it, hold the verdict against the truth.

    deep: also with the feed shut after an alarm, and against the least possible error.
    """
    night = maker(case)
    start = time.process_time()
    record = watched(night.rows, night.settings)
    verdict = conclude(record)
    seconds = time.process_time() - start
    error, bound = _error(case, night, record) if deep else (None, None)
    # A mass that told of the leak before any gate did names no other carb.
    named = {a.carb for a in verdict.alarms if a.leaks and a.carb is not None}
    alarms = (*record.alarms, *verdict.alarms)
    smallest, priors = verdict.smallest_provable_leak_g_per_h, night.settings.priors
    return Result(
        case.index,
        case.leak_g_per_day,
        case.way.value,
        case.hard,
        verdict.outcome.value,
        any(a.leaks for a in alarms),
        _delay(night, verdict),
        named == {night.carb},
        error,
        bound,
        seconds,
        _held(verdict, night),
        _isolated(case, maker, record) if deep else None,
        owner=case.owner.value,
        lost=case.lost,
        kind=night.kind,
        woken=bool(alarms),
        evaporated=_evaporated(night, record),
        rate=[night.leak_g_per_day / 24, verdict.leak_g_per_h.low, verdict.leak_g_per_h.high],
        no_leak=sum(s.probability for s in verdict.suspects if s.cause in _NOTHING_LEAKS),
        smallest_g_per_day=None if smallest is None else 24 * smallest,
        reads=_reads(record),
        blank_rel_sd=priors.blank_rel_sd if priors.blank_scale else None,
        onset=_onset(night, verdict),
    )


def _onset(night: Night, verdict: Verdict) -> list[float] | None:
    """When the leak began, and both ends of when it is said to have, s."""
    if not np.isfinite(night.onset_s) or len(verdict.leaks) != 1:
        return None
    return [night.onset_s, *verdict.leaks[0].since_s]


def _reads(record: RunRecord) -> list[int] | None:
    """How many readings of the loss are inside the band of what a tight rack's may be."""
    curve = record.curve.curve()
    read = np.isfinite(curve.mass_loss_g)
    if not read.any():
        return None
    inside = (curve.mass_loss_g >= curve.reads_low_g) & (curve.mass_loss_g <= curve.reads_high_g)
    return [int(inside[read].sum()), int(read.sum()), int(inside[read][-1])]


def _evaporated(night: Night, record: RunRecord) -> list[float] | None:
    """What did, from the start of the soak's clock to its end, and both ends of what was said."""
    soak_s = record.curve.curve().t_s
    if night.curve is None or not len(soak_s):
        return None
    before, after = np.interp(soak_s[[0, -1]], *night.curve).tolist()
    band = conclude(record).expected_evaporation_g
    return [after - before, band.low, band.high]


def _held(verdict: Verdict, night: Night) -> list[list[float]]:
    """Probability of each suspect, and 1 where it was the cause, at its carb."""
    return [
        [s.probability, float(s.cause.value == night.cause and s.carb in {night.carb, None})]
        for s in verdict.suspects
    ]


def _isolated(case: Case, maker: Maker, record: RunRecord) -> list[list[float]] | None:
    """The suspects when the bench has shut the feed on its first alarm, as it does by itself.

    Of leaks at a gate: of others a shut feed tells nothing.
    """
    alarms = [a for a in record.alarms if a.leak_g_per_h]
    if case.leak_g_per_day == 0 or case.way is not Way.GATES or not alarms:
        return None
    first = min(alarms, key=lambda alarm: alarm.t_s)
    seen, left_s = first.carb is not None, _NIGHT_S - first.t_s
    watch_s = max(telling_s(first.leak_g_per_h or 0.0, seen=seen, left_s=left_s), _ISOLATE_S)
    night = maker(case, Isolation(first.t_s, first.t_s + watch_s))
    return _held(conclude(watched(night.rows, night.settings)), night)


def _delay(night: Night, verdict: Verdict) -> float | None:
    alarms = [a.t_s for a in verdict.alarms if a.leaks]
    return min(alarms) - night.began_s if alarms and np.isfinite(night.began_s) else None


def _error(case: Case, night: Night, record: RunRecord) -> tuple[float | None, float | None]:
    """Error of the estimate from mass alone and its bound, for leaks there from the start."""
    counts = case.leak_g_per_day == 0 or night.from_start
    if not counts or case.leak_g_per_day > _ERRORS_UP_TO_G_PER_DAY or not record.mass_running:
        return None, None
    assert record.weep is not None
    estimate = 24 * signed_leak(record.weep)[0]
    bound = 24 * least_sd_g_per_h(night.rows, night.settings, night.noise, record.soak_s)
    return estimate - night.leak_g_per_day, bound


def smallest_at(results: Iterable[Result], way: Way, share: float = 0.95) -> float | None:
    """Smallest induced leak from which on at least `share` of the nights are found; None: none.

    As far as the nights of each leak bear it out: the lower 95 % limit of what was found of them
    must reach the share, which takes 59 nights of 59 for 95 %.
    """
    mine = [r for r in results if r.way == way and r.leak_g_per_day > 0]
    smallest = None
    for leak in sorted({r.leak_g_per_day for r in mine}, reverse=True):
        here = [r.leaking for r in mine if r.leak_g_per_day == leak]
        if lower_share(sum(here), len(here)) < share:
            break
        smallest = leak
    return smallest
