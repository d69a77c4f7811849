"""How well drops at nearly regular intervals explain the counts of a gate, dark counts among them.

Drops of one leak follow one another like a renewal process with Erlang intervals. A dark count
between two drops must not break the rhythm, so the last drop may be the last count or one of the
two before it; and a leak may stop for good (a seal swells, a crack runs dry), with all later counts
dark. A forward recursion carries these possibilities along, for each rate at once.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.watch.rows import Floats
from soakmon.watch.state import kept

SHAPE = 8
_BACK = 3
_STOPS = 0.01
_LEAST_GAP_S = 0.05


@kept
class Renewal:
    """Log-likelihood (R,) of the intervals since the first count, for drop rates (R,) per s.

    dark_per_s: rate of the counts that are no drops.
    """

    def __init__(self, rates_per_s: Floats, dark_per_s: float) -> None:
        self.rates = rates_per_s
        self.dark_per_s = dark_per_s
        self.times_s: list[float] = []
        # (k, R): everything so far, with the last drop k counts back; last row: the leak stopped.
        self.by_last: Floats = np.full((_BACK + 1, len(rates_per_s)), -np.inf)

    @property
    def total(self) -> Floats:
        """(R,) log-likelihood of the counts so far."""
        return _log_sum(self.by_last)

    def add(self, t_s: float, *, dense: bool) -> None:
        """Take the next count. dense: it came in one row with others and has no time of its own."""
        if not self.times_s:
            self.by_last[0] = 0.0
            self.times_s = [t_s] * _BACK
            return
        gap_s = max(t_s - self.times_s[0], _LEAST_GAP_S)
        ages_s = np.maximum(t_s - np.array(self.times_s), _LEAST_GAP_S)
        after: Floats = np.full_like(self.by_last, -np.inf)
        # Counts that came in one row have no regularity to see: as good as counts at random.
        dropped = (
            np.log(self.rates) - self.rates * gap_s if dense else _log_erlang(ages_s, self.rates)
        )
        after[0] = _log_sum(self.by_last[:_BACK] + dropped) - self.dark_per_s * gap_s
        dark = math.log(self.dark_per_s) - self.dark_per_s * gap_s
        after[1:_BACK] = self.by_last[: _BACK - 1] + dark
        after[_BACK] = self._stopped() + dark
        self.by_last = after
        self.times_s = [t_s, *self.times_s[:-1]]

    def until(self, t_s: float) -> Floats:
        """(R,) as `total`, with no count between the last one and t_s."""
        ages_s = np.maximum(t_s - np.array(self.times_s), 0.0)
        going_on = _log_sum(self.by_last[:_BACK] + _log_wait(ages_s, self.rates))
        total = np.logaddexp(going_on, self._stopped())
        return np.asarray(total - self.dark_per_s * float(ages_s[0]))

    def _stopped(self) -> Floats:
        """(R,) the leak has stopped, before the last count or just after it."""
        return np.asarray(np.logaddexp(self.by_last[_BACK], self.by_last[0] + math.log(_STOPS)))


def _log_sum(terms: Floats) -> Floats:
    """Over the first axis; it may hold -inf, but not in the first row alone and throughout."""
    top = terms.max(axis=0)
    return np.asarray(top + np.log(np.exp(terms - top).sum(axis=0)))


def _log_erlang(gaps_s: Floats, rates: Floats) -> Floats:
    """(K, R) log-density of intervals (K,)."""
    x = SHAPE * rates * gaps_s[:, None]
    return np.asarray(np.log(SHAPE * rates) + (SHAPE - 1) * np.log(x) - x - math.lgamma(SHAPE))


def _log_wait(since_s: Floats, rates: Floats) -> Floats:
    """(K, R) log-probability that the next drop takes longer than since_s (K,)."""
    x = SHAPE * rates * since_s[:, None]
    term = np.ones_like(x)
    total = np.ones_like(x)
    for k in range(1, SHAPE):
        term = term * x / k
        total = total + term
    return np.asarray(np.log(total) - x)
