"""Readings to robust averages: one minute each, the step the weep layer works at.

Single-sample spikes (0.1 % of real load-cell readings, grams to kilograms) must not move an
average, so readings far from the median of their minute are left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from soakmon.watch.rows import Floats, Rows
from soakmon.watch.state import kept

STEP_S = 60.0


@kept
@dataclass(frozen=True, slots=True)
class Average:
    """One averaging step ending at t_s.

    mass_g: robust mean or NaN; noise_g: standard error of it seen within the step, NaN when fewer
    than five readings; span_g: middle-98 % spread of the readings; readings: how many were good;
    air_c, fuel_c: means or NaN; feed_open: fraction of the step with the feed open; drops: (N,)
    counts; frozen: every reading the same.
    """

    t_s: float
    mass_g: float
    noise_g: float
    span_g: float
    readings: int
    air_c: float
    fuel_c: float
    feed_open: float
    drops: Floats
    frozen: bool


@kept
class Averager:
    """Cuts a stream of rows into steps of `STEP_S` seconds; rows of one step may come in parts."""

    def __init__(self, step_s: float = STEP_S) -> None:
        self.step_s = step_s
        self.held: list[Rows] = []

    def push(self, rows: Rows) -> list[Average]:
        """The steps completed by these rows; the last, unfinished one is held back."""
        if not len(rows):
            return []
        joined = join([*self.held, rows])
        step = np.ceil(np.round(joined.t_s / self.step_s, 9)).astype(np.int64)
        edges = np.flatnonzero(np.diff(step)) + 1
        starts = np.concatenate(([0], edges))
        averages = [_average(joined.part(int(a), int(b))) for a, b in itertools.pairwise(starts)]
        self.held = [joined.part(int(starts[-1]), len(joined))]
        return averages

    def flush(self) -> list[Average]:
        """The unfinished step, if any."""
        held, self.held = self.held, []
        return [_average(join(held))] if held else []


def join(parts: list[Rows]) -> Rows:
    """One stretch of rows from several that follow each other."""
    if len(parts) == 1:
        return parts[0]
    return Rows(
        np.concatenate([p.t_s for p in parts]),
        np.concatenate([p.mass_g for p in parts]),
        np.concatenate([p.air_c for p in parts]),
        np.concatenate([p.drops for p in parts]),
        _join_optional([p.fuel_c for p in parts]),
        _join_optional([p.feed_open for p in parts]),
    )


def _join_optional(columns: list[Floats | None]) -> Floats | None:
    present = [column for column in columns if column is not None]
    return np.concatenate(present) if len(present) == len(columns) else None


def _average(rows: Rows) -> Average:
    mass = rows.mass_g[np.isfinite(rows.mass_g)]
    mean, noise, span, good = robust_mean(mass)
    return Average(
        t_s=float(rows.t_s[-1]),
        mass_g=mean,
        noise_g=noise,
        span_g=span,
        readings=good,
        air_c=_mean(rows.air_c),
        fuel_c=float("nan") if rows.fuel_c is None else _mean(rows.fuel_c),
        feed_open=1.0 if rows.feed_open is None else _mean(rows.feed_open, missing=1.0),
        drops=np.nansum(rows.drops, axis=0),
        frozen=len(mass) > 1 and bool(np.all(mass == mass[0])),
    )


def robust_mean(mass_g: Floats) -> tuple[float, float, float, int]:
    """Mean in g without far-out readings, its standard error, the span and the number used.

    A reading is far out when it is more than 6 robust standard deviations from the median.
    """
    n = len(mass_g)
    if n == 0:
        return float("nan"), float("nan"), 0.0, 0
    if n < 5:
        middle = float(np.median(mass_g))
        return middle, float("nan"), float(np.ptp(mass_g)), n
    ordered = np.sort(mass_g)
    median = float(ordered[n // 2])
    sd = 1.4826 * _middle(np.sort(np.abs(mass_g - median)))
    near = mass_g[np.abs(mass_g - median) <= 6 * sd + 1e-9] if sd > 0 else mass_g
    if sd == 0 and n >= 5:
        near = mass_g[np.abs(mass_g - median) <= 1.0]
    spread = float(ordered[int(0.99 * (n - 1))] - ordered[int(0.01 * (n - 1) + 0.999)])
    return float(near.mean()), float(near.std() / np.sqrt(len(near))), spread, len(near)


def _middle(ordered: Floats) -> float:
    """Median of sorted values; a tenth of the time of a general one."""
    n = len(ordered)
    return 0.5 * float(ordered[(n - 1) // 2] + ordered[n // 2])


def _mean(column: Floats, missing: float = float("nan")) -> float:
    good = column[np.isfinite(column)]
    return float(good.mean()) if len(good) else missing
