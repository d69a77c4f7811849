"""What a cell does at rest: creep under a load, and its zero with temperature and pressure.

Both come from means, each with what their scatter leaves open. A cell fails by what is beyond its
limit for sure; what scatters by more than the limit is told to be open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soakmon.physics.arrays import Floats
from soakmon.texts import say
from soakmon.weigh.oiml import CellClass, Judgement, judged
from soakmon.weigh.uncertainty import Measured, change, rss, scaled, scatter, total

# Readings within so many minutes of a time that R 60 names are one mean; the first is over the
# first minute.
_NEAR_MIN, _FIRST_MIN = 1.5, 1.0
# Zeros must have been read over so many °C, or kPa, to say anything (judgement).
_LEAST_WARMTH_C, _LEAST_PRESSURE_KPA = 2.0, 0.5
# Meanwhile a cell wanders, g after an hour, and its zero follows a shop in which somebody works, g
# in an hour (half a degree); root mean square over cells as they are recorded. One does far more of
# it than another, as if it were known from a few. Between empty readings that are hours apart it
# has strayed by so much.
_WANDERS_G, _FOLLOWS_G_PER_H, _STRAYS_DF, _HOURS_APART_G = 0.05, 0.075, 6, 0.15


@dataclass(frozen=True, slots=True)
class Zero:
    """An empty reading (counts or g) at a temperature in °C, and a pressure of the air in kPa."""

    air_c: float
    reading: float
    kpa: float | None = None


def creep_judged(
    points: Sequence[tuple[float, float]],
    gain: float,
    cell: CellClass,
    load_g: float,
    repeatability_g: float,
) -> list[Judgement]:
    """Creep after 30 min, and from 20 to 30 (R 60-1, 5.3), each between means about its times."""
    if not points:
        return []
    minutes = np.array([p[0] for p in points], dtype=float)
    grams = gain * np.array([p[1] for p in points], dtype=float)
    if len(points) < 3 or (np.diff(minutes) <= 0).any() or minutes[-1] - minutes[0] < 29.5:
        raise ValueError(say("at_rest.creep_needs_readings"))
    since = minutes - minutes[0]

    def about(about_min: float) -> list[float]:
        near = np.abs(since - about_min) <= (_NEAR_MIN if about_min else _FIRST_MIN)
        if not near.any():
            raise ValueError(say("at_rest.creep_needs_reading_about", minutes=f"{about_min:g}"))
        return [float(g) for g in grams[near]]

    first, at_20, at_30 = (about(about_min) for about_min in (0.0, 20.0, 30.0))
    in_all = total((change(first, at_30, repeat=repeatability_g), strays(30.0)))
    late = total((change(at_20, at_30, repeat=repeatability_g), strays(10.0)))
    return [
        judged(say("at_rest.creep_over_30_min"), in_all, cell.creep_g(load_g)),
        judged(say("at_rest.creep_from_20_to_30"), late, cell.late_creep_g(load_g)),
    ]


def strays(minutes: float) -> Measured:
    """What a cell does by itself between readings so many minutes apart, g: 0 and its spread."""
    hours = minutes / 60
    return Measured(0.0, rss(_WANDERS_G * hours**0.5, _FOLLOWS_G_PER_H * hours), _STRAYS_DF)


def zero_judged(
    zeros: Sequence[Zero],
    gain: float,
    cell: CellClass,
    v_min_g: float | None,
    repeatability_g: float,
) -> list[Judgement]:
    """Shift of the empty reading per 5 °C, and per kPa where pressure was read (R 60-1, 5.5)."""
    if not zeros:
        return []
    air_c = np.array([z.air_c for z in zeros], dtype=float)
    if np.ptp(air_c) < _LEAST_WARMTH_C:
        raise ValueError(say("at_rest.empty_readings_apart", apart=f"{_LEAST_WARMTH_C:g}"))
    causes = [air_c]
    if all(z.kpa is not None for z in zeros):
        kpa = np.array([z.kpa for z in zeros], dtype=float)
        if np.ptp(kpa) >= _LEAST_PRESSURE_KPA and len(zeros) > 2:
            causes.append(kpa)
    grams = gain * np.array([z.reading for z in zeros], dtype=float)
    shifts = _slopes(causes, grams, rss(repeatability_g, _HOURS_APART_G))
    judgements = [
        judged(say("at_rest.zero_per_5c"), scaled(5.0, shifts[0]), cell.zero_per_5c_g(v_min_g)),
    ]
    if len(shifts) > 1:
        judgements.append(
            judged(say("at_rest.zero_per_kpa"), shifts[1], cell.zero_per_kpa_g(v_min_g))
        )
    return judgements


def _slopes(causes: Sequence[Floats], grams: Floats, repeatability_g: float) -> list[Measured]:
    """What each cause does to the readings, by least squares."""
    design = np.column_stack((np.ones_like(grams), *causes))
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError(say("at_rest.together"))
    best = np.linalg.lstsq(design, grams, rcond=None)[0]
    off = (grams - design @ best).tolist()
    sd, freedom = scatter(off, len(off) - design.shape[1], repeatability_g)
    spread = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    return [
        Measured(float(b), sd * float(s), freedom)
        for b, s in zip(best[1:], spread[1:], strict=True)
    ]
