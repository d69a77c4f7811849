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

from soakmon.texts import say
from soakmon.weigh.at_rest import Zero, creep_judged, strays, zero_judged
from soakmon.weigh.oiml import CellClass, Judgement, judged
from soakmon.weigh.uncertainty import (
    CELL_REPEATABILITY_G,
    Measured,
    change,
    coverage,
    scatter,
    total,
    uniform,
    widened,
)

VALID_DAYS = 182
_LEAST_MASSES = 3
# A check with less than this share of the full bottle says too little about it (judgement: what it
# lets pass is then at most twice the limit).
_CHECKED_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Step:
    """One reading: mass_g on the cell, its standard uncertainty, the reading (counts or g), way."""

    mass_g: float
    reading: float
    up: bool = True
    mass_u_g: float = 0.0


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
        return all(judgement.ok for judgement in self.judgements)

    @property
    def expires(self) -> date:
        """First day on which it is no longer in force."""
        return self.day + timedelta(days=self.valid_days)


def calibrate(
    steps: Sequence[Step],
    cell: CellClass,
    day: date,
    *,
    full_g: float,
    creep: Sequence[tuple[float, float]] = (),
    returned_g: float | None = None,
    zeros: Sequence[Zero] = (),
    v_min_g: float | None = None,
    resolution_counts: float = 1.0,
    repeatability_g: float = CELL_REPEATABILITY_G,
    valid_days: int = VALID_DAYS,
) -> Calibration:
    """Calibrate from steps with at least three different masses, up to the full bottle, full_g.

    creep: (minutes, reading) under the largest mass, over 30 min; returned_g: change of the empty
    reading after it, g. zeros: empty readings at several temperatures; v_min_g: what the cell says
    (None: nothing). repeatability_g: standard deviation of a reading, as known beforehand. Raises
    ValueError when the steps cannot give a line, or none that holds for the full bottle.
    """
    slope, zero, residuals_g = _line(steps, cell, full_g)
    gain = 1.0 / slope
    per_count = _gain(steps, residuals_g, gain, resolution_counts)
    reading = _reading_error(steps, residuals_g, repeatability_g, resolution_counts * abs(gain))
    of_full_g = per_count.expanded / abs(gain) * full_g
    masses_g = [step.mass_g for step in steps]
    judgements = [
        Judgement(say("calibration.uncertainty_full_bottle"), of_full_g, cell.limit_g(full_g)),
        _worst(
            say("calibration.error_step"), [(r, 1.0) for r in residuals_g], masses_g, cell, reading
        ),
        *_linearity(steps, residuals_g, cell, reading),
        *_hysteresis(steps, residuals_g, cell, reading),
        *_repeatability(steps, residuals_g, cell),
        *creep_judged(creep, gain, cell, float(max(masses_g)), repeatability_g),
        *zero_judged(zeros, gain, cell, v_min_g, repeatability_g),
    ]
    if returned_g is not None:
        returned = total((change([0.0], [returned_g], repeat=repeatability_g), strays(30.0)))
        judgements.append(
            judged(say("calibration.return_dead_load"), returned, cell.dead_load_return_g)
        )
    return Calibration(
        per_count, zero, tuple(residuals_g), _repeat_sd(steps, residuals_g), tuple(judgements),
        day, valid_days,
    )  # fmt: skip


def _line(
    steps: Sequence[Step], cell: CellClass, full_g: float
) -> tuple[float, float, list[float]]:
    """Counts per g and at no load, and by how much each step is off that line, g.

    Raises ValueError when the steps cannot give a line, or none that holds for the full bottle.
    """
    mass = np.array([s.mass_g for s in steps], dtype=float)
    reading = np.array([s.reading for s in steps], dtype=float)
    if len(set(mass.tolist())) < _LEAST_MASSES:
        raise ValueError(say("calibration.needs_masses", least=_LEAST_MASSES))
    if not (np.isfinite(mass).all() and np.isfinite(reading).all()):
        raise ValueError(say("calibration.must_be_numbers"))
    if (mass < 0).any() or mass.max() > cell.capacity_g * (1 + 1e-9):
        raise ValueError(say("calibration.beyond_capacity", capacity_g=f"{cell.capacity_g:g}"))
    slope, zero = np.polyfit(mass, reading, 1)
    # Below this even the line's ends do not tell the masses apart.
    if np.ptp(reading) == 0 or abs(slope) * np.ptp(mass) < 0.5 * np.ptp(reading):
        raise ValueError(say("calibration.does_not_follow"))
    if mass.max() < full_g:
        largest, full = f"{mass.max():g}", f"{full_g:.0f}"
        raise ValueError(say("calibration.masses_up_to_full_bottle", largest=largest, full=full))
    residuals_g = (reading - zero) * (1.0 / float(slope)) - mass
    return float(slope), float(zero), [float(residual) for residual in residuals_g]


def _reading_error(
    steps: Sequence[Step], residuals_g: Sequence[float], repeatability_g: float, resolution_g: float
) -> Measured:
    """How far a reading is from the cell's answer, g: repeated steps, what is known beforehand."""
    groups = [values for ways in _by_mass(steps, residuals_g).values() for values in ways if values]
    off = [error - fmean(values) for values in groups for error in values]
    sd_g, df = scatter(off, len(off) - len(groups), repeatability_g)
    return widened(Measured(0.0, sd_g, df), uniform(resolution_g / 2))


def _worst(
    name: str,
    errors: Sequence[tuple[float, float]],
    loads_g: Sequence[float],
    cell: CellClass,
    reading: Measured,
) -> Judgement:
    """The error that comes nearest to, or furthest over, the limit at its load.

    errors: g, and its standard deviation as a multiple of that of one reading. Of several that are
    at their limits one is always read too high, so what is left open holds for all of them.
    """
    left_open_g = coverage(reading.df, len(errors)) * reading.u
    judged = [
        Judgement(name, error_g, cell.limit_g(load_g), times * left_open_g)
        for (error_g, times), load_g in zip(errors, loads_g, strict=True)
    ]
    return max(judged, key=lambda j: (abs(j.value_g) - j.expanded_g) / j.limit_g)


def _by_mass(
    steps: Sequence[Step], residuals_g: Sequence[float]
) -> dict[float, tuple[list[float], list[float]]]:
    """Residuals by mass: on the way up, on the way down."""
    residuals: dict[float, tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    for step, residual in zip(steps, residuals_g, strict=True):
        residuals[step.mass_g][0 if step.up else 1].append(residual)
    return dict(sorted(residuals.items()))


def _linearity(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass, reading: Measured
) -> list[Judgement]:
    """Worst mean of the way up off the line: what is left when scatter and hysteresis are gone."""
    means = {
        mass_g: (fmean(up), len(up) ** -0.5)
        for mass_g, (up, _) in _by_mass(steps, residuals_g).items()
        if up
    }
    if not means:
        return []
    name = say("calibration.linearity")
    return [_worst(name, list(means.values()), list(means), cell, reading)]


def _hysteresis(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass, reading: Measured
) -> list[Judgement]:
    """Worst difference between the ways up and down."""
    gaps = {
        mass_g: (fmean(down) - fmean(up), math.sqrt(1 / len(up) + 1 / len(down)))
        for mass_g, (up, down) in _by_mass(steps, residuals_g).items()
        if up and down
    }
    if not gaps:
        return []
    name = say("calibration.hysteresis")
    return [_worst(name, list(gaps.values()), list(gaps), cell, reading)]


def _repeatability(
    steps: Sequence[Step], residuals_g: Sequence[float], cell: CellClass
) -> list[Judgement]:
    """Largest difference between repeated steps, as R 60 judges it: within the error limit.

    The limit is of what was read, not of what lies behind it: nothing is left open.
    """
    ranges = [
        Judgement(say("calibration.repeatability"), max(values) - min(values), cell.limit_g(mass_g))
        for mass_g, ways in _by_mass(steps, residuals_g).items()
        for values in ways
        if len(values) > 1
    ]
    return [max(ranges, key=lambda j: j.value_g / j.limit_g)] if ranges else []


def _repeat_sd(steps: Sequence[Step], residuals_g: Sequence[float]) -> float | None:
    """Pooled standard deviation of steps with the same mass and way, g."""
    squares, freedom = 0.0, 0
    for ways in _by_mass(steps, residuals_g).values():
        for values in ways:
            mean = fmean(values) if values else 0.0
            squares += sum((v - mean) ** 2 for v in values)
            freedom += max(len(values) - 1, 0)
    return math.sqrt(squares / freedom) if freedom else None


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
    off = abs(gain) * math.sqrt(sum(r * r for r in residuals_g) / freedom) / spread
    read = uniform(resolution_counts / 2) * abs(gain) / spread
    masses = max(step.mass_u_g for step in steps) / float(np.ptp(mass))
    return widened(Measured(gain, off, freedom), abs(gain) * read, abs(gain) * masses)


def daily_check(
    reading_g: float,
    mass_g: float,
    cell: CellClass,
    *,
    full_g: float,
    empty_g: float = 0.0,
    mass_u_g: float = 0.0,
    repeatability_g: float = CELL_REPEATABILITY_G,
) -> Judgement:
    """One known mass on a calibrated cell, less the empty reading: its error against the limit.

    What mass and readings leave open is not the cell's fault. Raises ValueError for a mass that
    says too little about the full bottle, full_g, or that is not known well enough itself.
    """
    if mass_g < _CHECKED_SHARE * full_g:
        full, least = f"{full_g:.0f}", f"{_CHECKED_SHARE * full_g:.0f}"
        raise ValueError(
            say("calibration.check_with_more", full=full, least=least, mass=f"{mass_g:g}")
        )
    loaded = change([empty_g], [reading_g], repeat=repeatability_g)
    error = total((loaded, Measured(-mass_g, mass_u_g)))
    result = judged(say("calibration.daily_check"), error, cell.limit_g(mass_g))
    if not result.known:
        known, limit = f"{result.expanded_g:.2g}", f"{result.limit_g:.2g}"
        raise ValueError(say("calibration.known_too_badly", known=known, limit=limit))
    return result
