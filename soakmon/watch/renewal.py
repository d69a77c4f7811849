"""How well drops at nearly regular intervals explain the counts of a gate, dark counts among them.

Drops of one leak follow one another like a renewal process with Erlang intervals, at a rate that
wanders by small steps about the leak's: what feeds a drip changes with temperature and head. Now
and then a drop is missed or shaken off, and an interval is of any length. A dark count between two
drops must not break the rhythm, so the last drop may be the last count or one of the two before it;
and a leak may stop for good (a seal swells, a crack runs dry), with all later counts dark. A
forward recursion carries these possibilities along, for each rate at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from soakmon.watch.logs import log_sum
from soakmon.watch.rows import Floats
from soakmon.watch.state import kept

_BACK = 3
_STOPS = 0.01
_LEAST_GAP_S = 0.05
_ANY_LENGTH = 0.1
# Steps of the wandering rate: a sixth of an octave, at one drop in five.
_STEP, _STEPS = 1 / 6, 0.2
# Finite, so that sums of chances that are nothing stay numbers.
_NEVER = -1e9


@dataclass(frozen=True, slots=True)
class Rhythm:
    """shape: of the Erlang intervals, whose sd is 1 / √shape of their mean.

    reach: how many steps the rate may wander to either side of the leak's.
    """

    shape: int
    reach: int

    @property
    def rates(self) -> Floats:
        """(S,) rates as parts of the leak's."""
        return np.asarray(2.0 ** (_STEP * np.arange(-self.reach, self.reach + 1)))

    @property
    def log_first(self) -> Floats:
        """(S,) log-chance of each at the first drop."""
        weights = np.exp(-0.5 * (np.arange(-self.reach, self.reach + 1) / 2.0) ** 2)
        return np.asarray(np.log(weights / weights.sum()))


@kept
class Renewal:
    """Log-likelihood (R,) of the intervals since the first count, for drop rates (R,) per s.

    dark_per_s: rate of the counts that are no drops.
    """

    def __init__(self, rates_per_s: Floats, dark_per_s: float, rhythm: Rhythm) -> None:
        self.shape = rhythm.shape
        self.rates: Floats = rates_per_s[:, None] * rhythm.rates
        self.log_first: Floats = rhythm.log_first
        self.dark_per_s = dark_per_s
        self.times_s: list[float] = []
        # (k, R, S): everything so far, with the last drop k counts back; last: the leak stopped.
        self.by_last: Floats = np.full((_BACK + 1, *self.rates.shape), _NEVER)

    @property
    def total(self) -> Floats:
        """(R,) log-likelihood of the counts so far."""
        return log_sum(log_sum(self.by_last, 0), -1)

    def add(self, t_s: float, *, dense: bool) -> None:
        """Take the next count. dense: it came in one row with others and has no time of its own."""
        if not self.times_s:
            self.by_last[0] = self.log_first
            self.times_s = [t_s] * _BACK
            return
        ages_s = np.maximum(t_s - np.array(self.times_s), _LEAST_GAP_S)
        gap_s = float(ages_s[0])
        # Counts that came in one row have no regularity to see: as good as counts at random.
        if dense:
            interval = _log_interval(gap_s * self.rates, 1)
        else:
            interval = _log_interval(ages_s[:, None, None] * self.rates, self.shape)
        fell = log_sum(self.by_last[:_BACK] + interval, 0)
        after: Floats = np.empty_like(self.by_last)
        after[0] = _wandered(fell + np.log(self.rates)) - self.dark_per_s * gap_s
        dark = math.log(self.dark_per_s) - self.dark_per_s * gap_s
        after[1:_BACK] = self.by_last[: _BACK - 1] + dark
        after[_BACK] = self._stopped() + dark
        self.by_last = after
        self.times_s = [t_s, *self.times_s[:-1]]

    def until(self, t_s: float) -> Floats:
        """(R,) as `total`, with no count between the last one and t_s."""
        ages_s = np.maximum(t_s - np.array(self.times_s), 0.0)
        waiting = _log_longer(ages_s[:, None, None] * self.rates, self.shape)
        going_on = log_sum(self.by_last[:_BACK] + waiting, 0)
        total = np.logaddexp(going_on, self._stopped())
        return np.asarray(log_sum(total, -1) - self.dark_per_s * float(ages_s[0]))

    def _stopped(self) -> Floats:
        """(R, S) the leak has stopped, before the last count or just after it."""
        return np.asarray(np.logaddexp(self.by_last[_BACK], self.by_last[0] + math.log(_STOPS)))


def _wandered(terms: Floats) -> Floats:
    """(R, S) after a drop: a step up or down, or none; none beyond the ends."""
    step = terms + math.log(_STEPS / 2)
    up = np.concatenate([step[:, :1], step[:, :-1]], axis=1)
    down = np.concatenate([step[:, 1:], step[:, -1:]], axis=1)
    stay = terms + math.log(1 - _STEPS)
    return np.asarray(np.logaddexp(np.logaddexp(up, down), stay))


def _log_interval(means: Floats, shape: int) -> Floats:
    """Log-density of intervals in units of their mean."""
    x = shape * means
    erlang = math.log(shape) + (shape - 1) * np.log(x) - x - math.lgamma(shape)
    return np.asarray(_or_any(erlang, means))


def _log_longer(means: Floats, shape: int) -> Floats:
    """Log-probability of an interval longer than that, in units of its mean."""
    erlang = np.interp(means, _MEANS, _log_erlang_longer(shape))
    return np.asarray(_or_any(erlang, means))


# Beyond six means nothing is left of it that matters beside intervals of any length.
_MEANS: Floats = np.linspace(0.0, 6.0, 1201)


@cache
def _log_erlang_longer(shape: int) -> Floats:
    """The same of Erlang intervals, at _MEANS."""
    x = shape * _MEANS
    term = np.ones_like(x)
    total = np.ones_like(x)
    for k in range(1, shape):
        term = term * (x / k)
        total = total + term
    return np.asarray(np.log(total) - x)


def _or_any(erlang: Floats, means: Floats) -> Floats:
    kept_time, any_length = math.log(1 - _ANY_LENGTH), math.log(_ANY_LENGTH)
    return np.asarray(np.logaddexp(erlang + kept_time, any_length - means))
