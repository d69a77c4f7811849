"""How well drops that keep time explain how many a gate counted in each row.

Where a row is not much shorter than the time between two drops, a count's own time says nothing of
whether drops keep time; how evenly the rows are filled does: 1, 2, 1, 2 is a drip at three in two
rows, and far too even for anything that comes at random. An Erlang interval is so many steps of a
Poisson process. So which step a drip is at, row by row, is a Markov chain, and the chance of any
series of counts follows from it exactly, however long the rows are, and however many drops the gate
lost among them.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort
from soakmon.watch.company import Count
from soakmon.watch.renewal import AGAIN_PER_S, ANY_LENGTH, DROPS_A_ROW, STOPS
from soakmon.watch.rhythm import Rhythm
from soakmon.watch.rows import Floats

# Faster ones are a flood, which does not wait for rows.
_FASTEST_PER_S = effort(0.4, "drops/s")
# A record's first row is as long as this at least.
_LEAST_ROW_S = effort(0.05, "s")
# Finite, so that sums of chances that are nothing stay numbers.
_NEVER = -1e9
_TINY = 1e-300
_MOST_LOG = 600.0
# Drops lost in a row that are less likely than that are not reckoned, nor more than so many.
_LEAST_CHANCE = effort(1e-4, "chance")
_MOST_LOST = effort(12, "drops")
# Steps of so many kinds of rows are kept, for all gates.
_MOST_KEPT = effort(192, "rows")


@dataclass(frozen=True, slots=True, eq=False)
class _Pace:
    """Rates (R, S) per s, and how drops keep time at them."""

    rates: Floats
    rhythm: Rhythm


class RowRenewal:
    """Log-likelihood of the rows since the first with a count, for drop rates (R,) per s.

    Rates of which a row holds too few drops, or which are too fast, are not covered. As in
    `renewal.Renewals`, what stray counts there are is said with each count.
    """

    def __init__(self, rates_per_s: Floats, rhythm: Rhythm) -> None:
        self.all_per_s = rates_per_s
        self.rhythm, self.shape = rhythm, rhythm.shape
        self.wanders: Floats = rhythm.wanders.T
        self.covers = np.zeros(len(rates_per_s), dtype=bool)
        self.pace = _Pace(np.zeros((0, 0)), rhythm)
        # (R, S, step): chances while it drips; (R, S): once it has stopped; log of their sum (R,).
        self.dripping: Floats = np.zeros((0, 0, 0))
        self.stopped: Floats = np.zeros((0, 0))
        self.total: Floats = np.zeros(0)
        self.end_s = math.nan
        # The row that is being told: its counts, each with its logs of stray rate and likeness.
        self.row: list[tuple[Count, float, float]] = []
        self.marked = False
        # By row that was marked: `total` after it, without what a drip says that begins in it.
        self.at: list[Floats] = []

    def add(self, count: Count, log_stray: float, log_drop: float = 0.0) -> None:
        """Take the next count; see `renewal.Renewals.add`."""
        if self.row and count.row_s != self.row[0][0].row_s:
            self._close()
        self.row.append((count, log_stray, log_drop))

    def mark(self) -> None:
        """The row of the last count may be the first of a drip."""
        self.marked = True

    def since(self, t_s: float) -> Floats:
        """(C, R) log-likelihood up to t_s of a drip that begins in each row that was marked."""
        if self.row:
            # Asking changes nothing: the row stays open.
            closed = copy(self)
            closed.at = list(self.at)
            closed._close()
            return closed.since(t_s)
        since = np.full((len(self.at), len(self.all_per_s)), _NEVER)
        gap_s = max(t_s - self.end_s, 0.0)
        dripping = self._empty(gap_s).sum(axis=(1, 2))
        gone = self.stopped.sum(axis=1) * math.exp(-AGAIN_PER_S * gap_s)
        until = self.total + np.log(np.maximum(dripping + gone, _TINY))
        since[:, self.covers] = until - np.array(self.at)
        return since

    def _close(self) -> None:
        """Take the row that has been told."""
        if not self.row:
            return
        count, number = self.row[0][0], len(self.row)
        spacing_s = max(count.spacing_s, _LEAST_ROW_S)
        start_s = count.row_s - spacing_s
        likeness = sum(log_drop for _, _, log_drop in self.row)
        if math.isnan(self.end_s):
            self._begin(spacing_s)
            begins = self._begins(number, spacing_s)
        else:
            begins = self._begins(number, spacing_s)
            self._take(max(start_s - self.end_s, 0.0), spacing_s, begins, likeness)
        if self.marked:
            self.at.append(self.total - begins - likeness)
        self.marked, self.row, self.end_s = False, [], count.row_s

    def _begin(self, spacing_s: float) -> None:
        """Of the first row nothing is known but that it drips in it."""
        per_row = self.all_per_s * spacing_s
        self.covers = (per_row > DROPS_A_ROW) & (self.all_per_s < _FASTEST_PER_S)
        rates_per_s = self.all_per_s[self.covers][:, None] * self.rhythm.rates
        self.pace = _Pace(rates_per_s, self.rhythm)
        self.dripping = np.tile(self._first, (len(self.rates), 1, self.shape))
        self.stopped = np.zeros_like(self.rates)
        self.total = np.zeros(len(self.rates))

    @property
    def _first(self) -> Floats:
        """(S, 1) chances at the first drop, of each step alike."""
        return np.asarray(np.exp(self.rhythm.log_first)[:, None] / self.shape)

    def _begins(self, number: int, spacing_s: float) -> Floats:
        """(R,) log-density of so many counts in a row in which it begins to drip, at any moment."""
        more = self._counted * self.all_per_s[self.covers] * spacing_s
        log_chance = (number - 1) * np.log(more) - number * np.log1p(more)
        return np.asarray(log_chance + _log_times(number, spacing_s) + math.log(spacing_s))

    def _take(self, gap_s: float, spacing_s: float, begins: Floats, likeness: float) -> None:
        """A row with counts, after gap_s without any; (R,) `begins`: if it begins anew in it."""
        number, log_times = len(self.row), _log_times(len(self.row), spacing_s)
        strays_per_s = [stray - drop for _, stray, drop in self.row]
        all_stray = math.exp(min(sum(strays_per_s) - log_times, _MOST_LOG))
        kept_time = self._in_time(gap_s, spacing_s, strays_per_s, all_stray)
        counted_per_s = self._counted * self.rates
        any_time = number * np.log(counted_per_s * spacing_s) - math.lgamma(number + 1)
        any_time = np.exp(any_time - counted_per_s * (gap_s + spacing_s))
        any_time *= self.dripping.sum(axis=2) / self.shape
        after = (1 - ANY_LENGTH) * kept_time + ANY_LENGTH * any_time[:, :, None]
        goes_on = (1 - STOPS) ** number
        still = self.stopped * math.exp(-AGAIN_PER_S * (gap_s + spacing_s))
        again = still.sum(axis=1) * AGAIN_PER_S * np.exp(begins - log_times)
        self.stopped = still * all_stray + (1 - goes_on) * after.sum(axis=2)
        wandered = self.wanders @ (goes_on * after)
        self.dripping = wandered + again[:, None, None] * self._first
        sums = self.dripping.sum(axis=(1, 2)) + self.stopped.sum(axis=1)
        # What no drip explains has stopped it.
        self.stopped[sums < _TINY] = _TINY / self.stopped.shape[1]
        sums = np.maximum(sums, _TINY)
        self.dripping /= sums[:, None, None]
        self.stopped /= sums[:, None]
        self.total = self.total + np.log(sums) + log_times + likeness

    def _in_time(
        self, gap_s: float, spacing_s: float, strays_per_s: list[float], all_stray: float
    ) -> Floats:
        """(R, S, step) chances after the row of drops in time, none, one or all counts stray."""
        number = len(strays_per_s)
        one = sum(map(math.exp, strays_per_s)) * spacing_s / number
        every, but_one, none = (
            _steps(self.pace, fell, spacing_s) for fell in (number, number - 1, 0)
        )
        steps = every + one * but_one
        if number > 1:
            steps += all_stray * none
        return _through(self._none(gap_s), steps)

    def _none(self, gap_s: float) -> Floats:
        """`dripping` in time, after gap_s without a count."""
        return _through(self.dripping, _steps(self.pace, 0, gap_s)) if gap_s else self.dripping

    def _empty(self, gap_s: float) -> Floats:
        """`dripping` after gap_s without a count."""
        even = self.dripping.sum(axis=2, keepdims=True) / self.shape
        any_time = even * np.exp(-self._counted * self.rates * gap_s)[:, :, None]
        return np.asarray((1 - ANY_LENGTH) * self._none(gap_s) + ANY_LENGTH * any_time)

    @property
    def rates(self) -> Floats:
        """(R, S) drops per s of the rates that are covered, as they wander."""
        return self.pace.rates

    @property
    def _counted(self) -> float:
        """Share of the drops that the gate counts."""
        return 1 - self.rhythm.lost


def _through(chances: Floats, steps: Floats) -> Floats:
    """(R, S, step) chances after chances of so many steps on (R, S, 2 step - 1)."""
    to_each = steps.take(_places(chances.shape[2]), axis=2)
    return np.asarray(np.matmul(chances[:, :, None, :], to_each)[:, :, 0, :])


@lru_cache(maxsize=_MOST_KEPT)
def _steps(pace: _Pace, counted: int, seconds: float) -> Floats:
    """(R, S, 2 step - 1) chances of going so many steps on, so many drops counted on the way.

    The last dimension is the place in the interval at the end less the place at its beginning.
    Rows are mostly alike, so what was asked before is kept.
    """
    shape, lost = pace.rhythm.shape, _lost_chances(counted, pace.rhythm.lost)
    first, behind = (counted - 1) * shape + 1, (counted + len(lost)) * shape
    # Nobody goes back.
    back = max(-first, 0)
    forward = np.arange(first + back, behind)
    mean = (shape * seconds * pace.rates)[:, :, None]
    poisson = np.zeros((*pace.rates.shape, behind - first))
    log_chance = forward * np.log(mean) - mean - _log_factorials(behind)[first + back :]
    poisson[:, :, back:] = np.exp(log_chance)
    chances = np.zeros((*pace.rates.shape, 2 * shape - 1))
    for k, chance in enumerate(lost):
        chances += chance * poisson[:, :, k * shape : (k + 2) * shape - 1]
    return chances


@cache
def _places(shape: int) -> NDArray[np.intp]:
    """(from, to) where the chance of going from each place to each other stands in the steps."""
    place = np.arange(shape)
    return shape - 1 - place[:, None] + place


@cache
def _log_factorials(behind: int) -> Floats:
    """Of 0, 1, … and no more than so many numbers."""
    return np.array([math.lgamma(n + 1) for n in range(behind)])


@cache
def _lost_chances(counted: int, lost: float) -> tuple[float, ...]:
    """Chance that of the drops so many were counted, by how many more fell (0, 1, …)."""
    chances = [
        math.comb(counted + k, k) * (1 - lost) ** counted * lost**k for k in range(_MOST_LOST)
    ]
    last = max(k for k, chance in enumerate(chances) if k == 0 or chance > _LEAST_CHANCE)
    return tuple(chances[: last + 1])


def _log_times(number: int, spacing_s: float) -> float:
    """Log-density of the times of so many counts of which only the row is known."""
    return math.lgamma(number + 1) - number * math.log(spacing_s)
