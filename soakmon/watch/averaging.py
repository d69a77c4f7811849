"""Readings to robust averages: one minute each, the step the weep layer works at.

Single-sample spikes (0.1 % of real load-cell readings, grams to kilograms) must not move an
average, so readings far from the median of their minute are left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.watch.rows import Floats, Rows

Places = NDArray[np.int64]

# As long as a mean of readings is taken over.
STEP_S = effort(60.0, "s")
# Of fewer readings the middle one is taken; of more, what is no further out than so many sd, or g
# where most are the same (judgement).
_FEW = judgement(5, "readings")
_OUT_SD = judgement(6, "sd")
_OUT_G = judgement(1.0, "g")


@dataclass(frozen=True, slots=True)
class Average:
    """One averaging step ending at t_s.

    mass_g: robust mean or NaN; noise_g: standard error of it seen within the step, NaN when fewer
    than five readings; readings: how many were good;
    air_c, fuel_c: means or NaN; feed_open: fraction of the step with the feed open; drops: (N,)
    counts; frozen: every reading the same.
    """

    t_s: float
    mass_g: float
    noise_g: float
    readings: int
    air_c: float
    fuel_c: float
    feed_open: float
    drops: Floats
    frozen: bool


class Averager:
    """Cuts a stream of rows into steps of `STEP_S` seconds; rows of one step may come in parts."""

    def __init__(self, step_s: float = STEP_S) -> None:
        self.step_s = step_s
        self.held: list[Rows] = []

    def push(self, rows: Rows) -> list[Average]:
        """The steps completed by these rows; the last, unfinished one is held back."""
        return [average for _, average in self.cut(rows) if average is not None]

    def cut(self, rows: Rows) -> list[tuple[Rows, Average | None]]:
        """The rows step by step, each part with the step before it if that is completed by it."""
        if not len(rows):
            return []
        cuts = [0, *self._edges(rows.t_s), len(rows)]
        parts = [rows.part(a, b) for a, b in itertools.pairwise(cuts)]
        seam = [self.held[-1].t_s[-1], rows.t_s[0]] if self.held else []
        begins = bool(self._edges(np.array(seam)))
        if len(parts) == 1 and not begins:
            self.held.append(rows)
            return [(rows, None)]
        completed = self._averages([*self.held, rows.part(0, cuts[-2])])
        self.held = [parts[-1]]
        return list(zip(parts, completed if begins else [None, *completed], strict=True))

    def flush(self) -> list[Average]:
        """The unfinished step, if any."""
        held, self.held = self.held, []
        return self._averages(held) if held else []

    def _edges(self, t_s: Floats) -> list[int]:
        """Where a new step begins, the first one apart.

        The reading at time zero is of the first step: alone it would be believed, were it a spike.
        """
        step = np.maximum(np.ceil(np.round(t_s / self.step_s, 9)), 1.0)
        return (np.flatnonzero(step[1:] != step[:-1]) + 1).tolist()

    def _averages(self, parts: list[Rows]) -> list[Average]:
        rows = join(parts)
        return _averages(rows, np.array([0, *self._edges(rows.t_s)]))


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
        _join_blocks(parts),
    )


def _join_optional(columns: list[Floats | None]) -> Floats | None:
    present = [column for column in columns if column is not None]
    return np.concatenate(present) if len(present) == len(columns) else None


def _join_blocks(parts: list[Rows]) -> Floats | None:
    """Where some parts know how long the beams were dark, the others do not."""
    if all(part.block_ms is None for part in parts):
        return None
    return np.concatenate(
        [np.full_like(p.drops, np.nan) if p.block_ms is None else p.block_ms for p in parts]
    )


def _averages(rows: Rows, starts: Places) -> list[Average]:
    """The averages of k steps that begin at these rows: all at once, for speed."""
    ends = np.append(starts[1:], len(rows))
    place = starts[:, None] + np.arange((ends - starts).max())
    outside = place >= ends[:, None]
    place[outside] = 0

    def table(column: Floats | None, instead: float) -> Floats:
        """(k, n) good values of each step, filled up with NaN."""
        if column is None:
            return np.full((len(starts), 1), instead)
        values = column[place]
        values[outside | ~np.isfinite(values)] = np.nan
        return values

    mass_g = table(rows.mass_g, np.nan)
    mean_g, noise_g, readings = _robust_means(mass_g)
    columns = (
        rows.t_s[ends - 1],
        mean_g,
        noise_g,
        readings,
        _means(table(rows.air_c, np.nan)),
        _means(table(rows.fuel_c, np.nan)),
        _means(table(rows.feed_open, 1.0), missing=1.0),
    )
    drops = np.add.reduceat(np.nan_to_num(rows.drops), starts, axis=0)
    least_g, most_g = np.fmin.reduce(mass_g, axis=1), np.fmax.reduce(mass_g, axis=1)
    frozen = (least_g == most_g) & (np.isfinite(mass_g).sum(axis=1) > 1)
    steps = zip(*(column.tolist() for column in columns), drops, frozen.tolist(), strict=True)
    return [Average(*values) for values in steps]


def _robust_means(mass_g: Floats) -> tuple[Floats, Floats, Places]:
    """Means in g of k steps (k, n) without far-out readings, standard errors and numbers used.

    A reading is far out when it is more than 6 robust standard deviations from the median, or more
    than 1 g where most are the same. Of fewer than five readings it is the median, its error NaN.
    """
    good = np.isfinite(mass_g)
    count = good.sum(axis=1)
    few = count < _FEW
    ordered = np.sort(mass_g, axis=1)
    off_g = np.abs(mass_g - _at(ordered, count // 2)[:, None])
    sd_g = 1.4826 * _middle(np.sort(off_g, axis=1), count)
    near = good & (off_g <= np.where(sd_g > 0, _OUT_SD * sd_g + 1e-9, _OUT_G)[:, None])
    near_count = near.sum(axis=1)
    number = np.maximum(near_count, 1)
    mean_g = np.where(near, mass_g, 0.0).sum(axis=1) / number
    spread_g = np.where(near, mass_g - mean_g[:, None], 0.0)
    noise_g = np.sqrt((spread_g**2).sum(axis=1)) / number
    return (
        np.where(few, _middle(ordered, count), mean_g),
        np.where(few, np.nan, noise_g),
        np.where(few, count, near_count),
    )


def _middle(ordered: Floats, count: Places) -> Floats:
    """(k,) medians of the first `count` values of each sorted row."""
    return 0.5 * (_at(ordered, (count - 1) // 2) + _at(ordered, count // 2))


def _at(ordered: Floats, place: Places) -> Floats:
    place = np.clip(place, 0, ordered.shape[1] - 1)
    return np.take_along_axis(ordered, place[:, None], axis=1)[:, 0]


def _means(values: Floats, missing: float = float("nan")) -> Floats:
    """(k,) means of what is there in each row."""
    good = np.isfinite(values)
    count = good.sum(axis=1)
    total = np.where(good, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), missing)
