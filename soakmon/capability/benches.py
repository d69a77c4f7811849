"""Nights of benches that are not as they are described: one judged, and what many of them show.

Nights come from a maker that is handed in, so nothing here knows a simulator.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from soakmon.watch.decide import Decision, watched
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Band, Cause


@dataclass(frozen=True, slots=True)
class BenchCase:
    """A night to make: place in the plan, seed, owner; a leak of leak_g_per_day (0: none).

    gates: whether it arrives at a gate; lost: share of its drops that the gate does not see.
    """

    index: int
    seed: int
    owner: str
    leak_g_per_day: float = 0.0
    gates: bool = True
    lost: float = 0.0


@dataclass(frozen=True, slots=True)
class BenchNight:
    """A night as made: what the decider gets, and the truth it must not see.

    evaporated_g, leaked_g: ever, at t_s (n,). began_s: onset of the leak, NaN where there is none;
    first_drop_s: NaN where no gate sees it. kind: what disturbs it.
    """

    rows: Rows
    settings: Settings
    kind: str
    t_s: Floats
    evaporated_g: Floats
    leaked_g: Floats
    began_s: float
    first_drop_s: float


@dataclass(frozen=True, slots=True)
class BenchResult:
    """What became of a case.

    woken: an alarm was raised at any time. evaporated: true loss to the air of the soak, g, with
    low and high of the band that was said; None before the soak began. leak: the same of the leak
    in g/h since it began. no_leak: probability of no leak. delay_s: first alarm after the first
    drop, or after the onset where no gate sees it. smallest_g_per_day: smallest provable leak.
    """

    index: int
    owner: str
    leak_g_per_day: float
    gates: bool
    lost: float
    kind: str
    outcome: str
    woken: bool
    evaporated: list[float] | None
    leak: list[float]
    no_leak: float
    delay_s: float | None
    smallest_g_per_day: float | None
    seconds: float

    def as_dict(self) -> dict[str, Any]:
        """JSON types only."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> BenchResult:
        """As written; KeyError when it is not one."""
        return cls(**{field.name: values[field.name] for field in fields(cls)})


def judged_bench(case: BenchCase, maker: Callable[[BenchCase], BenchNight]) -> BenchResult:
    """Make a night, let the decider judge it, hold the verdict against the truth."""
    night = maker(case)
    start = time.process_time()
    decider = watched(night.rows, night.settings)
    decision = decider.decision()
    seconds = time.process_time() - start
    verdict = decision.verdict
    leaks = [alarm.t_s for alarm in verdict.alarms if alarm.leaks]
    began_s = night.first_drop_s if np.isfinite(night.first_drop_s) else night.began_s
    smallest = verdict.smallest_provable_leak_g_per_h
    return BenchResult(
        case.index,
        case.owner,
        case.leak_g_per_day,
        case.gates,
        case.lost,
        night.kind,
        verdict.outcome.value,
        bool(decider.alarms or verdict.alarms),
        _evaporated(night, decision),
        [_true_g_per_h(night), *_ends(verdict.leak_g_per_h)],
        sum(s.probability for s in verdict.suspects if s.cause is Cause.NO_LEAK),
        min(leaks) - began_s if leaks and np.isfinite(began_s) else None,
        None if smallest is None else 24 * smallest,
        seconds,
    )


def _evaporated(night: BenchNight, decision: Decision) -> list[float] | None:
    soak_s = decision.curve.t_s[[0, -1]] if len(decision.curve.t_s) else None
    if soak_s is None:
        return None
    before, after = np.interp(soak_s, night.t_s, night.evaporated_g).tolist()
    return [after - before, *_ends(decision.verdict.expected_evaporation_g)]


def _true_g_per_h(night: BenchNight) -> float:
    hours = (float(night.t_s[-1]) - night.began_s) / 3600
    return float(night.leaked_g[-1]) / hours if hours > 0 else 0.0


def _ends(band: Band) -> list[float]:
    return [band.low, band.high]
