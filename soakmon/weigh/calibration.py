"""Calibration of the load cell with known masses, up and down, and the daily check with one.

The gain comes from a least-squares line through all steps (reading in counts or grams against
mass). What a step is off that line is judged against OIML R 60 class C: linearity and repeatability
on their own and as the error of each step, hysteresis between the ways up and down, creep. The
line of R 60 itself runs through two of the steps (from memory); least squares uses them all, and is
what the bench then reads by. R 60 names no separate limit for linearity and hysteresis: each is
held to the error limit at its load.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean

import numpy as np

from soakmon.weigh.oiml import CellClass
from soakmon.weigh.uncertainty import Measured, uniform, widened

VALID_DAYS = 182
_LEAST_MASSES = 3


@dataclass(frozen=True, slots=True)
class Step:
    """One reading: mass_g on the cell, its standard uncertainty, the reading (counts or g), way."""

    mass_g: float
    reading: float
    up: bool = True
    mass_u_g: float = 0.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """A property against its limit, both in g; ok: within it."""

    name: str
    value_g: float
    limit_g: float

    @property
    def ok(self) -> bool:
        """Whether it is within the limit (rounding of the arithmetic is not an error)."""
        return abs(self.value_g) <= self.limit_g * (1 + 1e-9)


@dataclass(frozen=True, slots=True)
class Calibration:
    """Result: g_per_count with uncertainty, zero_counts, residuals per step in g, judgements.

    repeat_sd_g: pooled standard deviation of repeated steps (None: no step was repeated).
    """

    g_per_count: Measured
    zero_counts: float
    residuals_g: tuple[float, ...]
    repeat_sd_g: float | None
    judgements: tuple[Judgement, ...]
    day: date
    valid_days: int = VALID_DAYS

    @property
    def passed(self) -> bool:
        """Whether every property is within its limit."""
        return all(one.ok for one in self.judgements)

    @property
    def expires(self) -> date:
        """First day on which it is no longer in force."""
        return self.day + timedelta(days=self.valid_days)

    def in_force(self, today: date) -> bool:
        """Whether it passed and has neither expired nor begins later."""
        return self.passed and self.day <= today < self.expires


def calibrate(
    steps: Sequence[Step],
    cell: CellClass,
    day: date,
    *,
    creep: Sequence[tuple[float, float]] = (),
    returned_g: float | None = None,
    resolution_counts: float = 1.0,
    valid_days: int = VALID_DAYS,
) -> Calibration:
    """Calibrate from steps with at least three different masses.

    creep: (minutes, reading) under the largest mass, over 30 min; returned_g: change of the empty
    reading after it, g. Raises ValueError when the steps cannot give a line.
    """
    mass = np.array([s.mass_g for s in steps], dtype=float)
    reading = np.array([s.reading for s in steps], dtype=float)
    if len(set(mass.tolist())) < _LEAST_MASSES:
        raise ValueError(f"a calibration needs at least {_LEAST_MASSES} different masses")
    if not (np.isfinite(mass).all() and np.isfinite(reading).all()):
        raise ValueError("masses and readings must be numbers")
    if (mass < 0).any() or mass.max() > cell.capacity_g * (1 + 1e-9):
        raise ValueError(f"masses must lie between 0 and the capacity of {cell.capacity_g:g} g")
    slope, zero = np.polyfit(mass, reading, 1)
    # Below this even the line's ends do not tell the masses apart.
    if np.ptp(reading) == 0 or abs(slope) * np.ptp(mass) < 0.5 * np.ptp(reading):
        raise ValueError("the reading does not follow the mass: check the wiring of the cell")
    gain = 1.0 / float(slope)
    residuals = (reading - zero) * gain - mass
    judgements = [
        _worst("error of a step", residuals.tolist(), mass.tolist(), cell),
        *_linearity(steps, residuals.tolist(), cell),
        *_hysteresis(steps, residuals.tolist(), cell),
        *_repeatability(steps, residuals.tolist(), cell),
        *_creep(creep, gain, float(mass.max()), cell),
    ]
    if returned_g is not None:
        judgements.append(Judgement("return to dead load", returned_g, cell.dead_load_return_g))
    return Calibration(
        _gain(steps, residuals.tolist(), gain, resolution_counts),
        float(zero),
        tuple(float(r) for r in residuals),
        _repeat_sd(steps, residuals.tolist()),
        tuple(judgements),
        day,
        valid_days,
    )


def _worst(
    name: str, errors_g: Sequence[float], loads_g: Sequence[float], cell: CellClass
) -> Judgement:
    """The error that comes nearest to, or furthest over, the limit at its load."""
    worst = max(zip(errors_g, loads_g, strict=True), key=lambda e: abs(e[0]) / cell.limit_g(e[1]))
    return Judgement(name, float(worst[0]), cell.limit_g(worst[1]))


def _by_mass(
    steps: Sequence[Step], residuals_g: Sequence[float]
) -> dict[float, tuple[list[float], list[float]]]:
    """Residuals by mass: on the way up, on the way down."""
    found: dict[float, tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    for step, residual in zip(steps, residuals_g, strict=True):
        found[step.mass_g][0 if step.up else 1].append(residual)
    return dict(sorted(found.items()))


def _linearity(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass
) -> list[Judgement]:
    """Worst mean of the way up off the line: what is left when scatter and hysteresis are gone."""
    means = {m: fmean(up) for m, (up, _) in _by_mass(steps, residuals_g).items() if up}
    return [_worst("linearity", list(means.values()), list(means), cell)] if means else []


def _hysteresis(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass
) -> list[Judgement]:
    both = {m: (u, d) for m, (u, d) in _by_mass(steps, residuals_g).items() if u and d}
    gaps = [fmean(down) - fmean(up) for up, down in both.values()]
    return [_worst("hysteresis", gaps, list(both), cell)] if gaps else []


def _repeatability(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass
) -> list[Judgement]:
    """Largest difference between repeated steps, as R 60 judges it: within the error limit."""
    ranges = [
        (max(values) - min(values), mass_g)
        for mass_g, ways in _by_mass(steps, residuals_g).items()
        for values in ways
        if len(values) > 1
    ]
    if not ranges:
        return []
    return [_worst("repeatability", [r for r, _ in ranges], [m for _, m in ranges], cell)]


def _repeat_sd(steps: Sequence[Step], residuals_g: Sequence[float]) -> float | None:
    """Pooled standard deviation of steps with the same mass and way, g."""
    squares, freedom = 0.0, 0
    for ways in _by_mass(steps, residuals_g).values():
        for values in ways:
            mean = fmean(values) if values else 0.0
            squares += sum((v - mean) ** 2 for v in values)
            freedom += max(len(values) - 1, 0)
    return math.sqrt(squares / freedom) if freedom else None


def _creep(
    points: Sequence[tuple[float, float]], gain: float, load_g: float, cell: CellClass
) -> list[Judgement]:
    if not points:
        return []
    minutes = np.array([p[0] for p in points], dtype=float)
    grams = gain * np.array([p[1] for p in points], dtype=float)
    if len(points) < 3 or (np.diff(minutes) <= 0).any() or minutes[-1] - minutes[0] < 29.5:
        raise ValueError("creep needs readings over 30 min, in order of time")
    minutes = minutes - minutes[0]
    change = grams[minutes <= 30.5] - grams[0]
    at_20, at_30 = np.interp((20.0, 30.0), minutes, grams)
    late = float(at_30 - at_20)
    most = float(change[np.argmax(np.abs(change))])
    return [
        Judgement("creep over 30 min", most, cell.creep_g(load_g)),
        Judgement("creep from 20 to 30 min", late, cell.late_creep_g(load_g)),
    ]


def _gain(
    steps: Sequence[Step], residuals_g: Sequence[float], gain: float, resolution_counts: float
) -> Measured:
    """Grams per count, uncertain by scatter (A, steps less two), masses and resolution (B).

    The masses of a set share their maker's reference: their uncertainties are taken as fully
    correlated, that is, relative and added linearly, which is the careful side.
    """
    mass = np.array([s.mass_g for s in steps])
    spread = float(np.sqrt(((mass - mass.mean()) ** 2).sum()))
    freedom = max(len(steps) - 2, 1)
    scatter = abs(gain) * math.sqrt(sum(r * r for r in residuals_g) / freedom) / spread
    read = uniform(resolution_counts / 2) * abs(gain) / spread
    masses = max(step.mass_u_g for step in steps) / float(np.ptp(mass))
    return widened(Measured(gain, scatter, freedom), abs(gain) * read, abs(gain) * masses)


def daily_check(
    reading_g: float, mass_g: float, cell: CellClass, *, mass_u_g: float = 0.0
) -> Judgement:
    """One known mass on a calibrated cell: its error against the limit at that load.

    The limit is widened by the mass's own expanded uncertainty, which is not the cell's fault.
    """
    limit_g = cell.limit_g(mass_g) + 2.0 * mass_u_g
    return Judgement("daily check", reading_g - mass_g, limit_g)
