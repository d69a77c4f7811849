"""How well drops at nearly regular intervals explain the counts of a gate, stray counts among them.

Drops of one leak follow one another like a renewal process with Erlang intervals, at a rate that
wanders by small steps about the leak's: what feeds a drip changes with temperature and head. A gate
loses some of them, so an interval may be two or three; now and then a drop is shaken off, and an
interval is of any length. A stray count between two drops must not break the rhythm, so the last
drop may be the last count or one of the two before it; and a leak may stop (a seal swells, a crack
runs dry), with later counts stray, and begin again. A forward recursion carries these possibilities
along, for each rate at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.logs import log_sum
from soakmon.watch.rows import Floats

# How many counts back the last drop may lie.
_BACK = effort(3, "counts")
# Chance, after each drop, that it was the last for now; and how often per s it then begins again.
STOPS = judgement(0.01, "chance")
AGAIN_PER_S = judgement(1 / (8 * 3600.0), "1/s")
# Counts nearer than this are as far apart.
_LEAST_GAP_S = effort(0.05, "s")
# Intervals of any length: a drop was shaken off.
ANY_LENGTH = judgement(0.08, "chance")
# Of drops as fast as that the rows hide when they fell: `row_renewal` tells whether they keep time.
DROPS_A_ROW = judgement(0.25, "drops/row")
# Steps of the wandering rate: a sixth of an octave, at one drop in five; and jumps.
_STEP = effort(1 / 6, "octaves")
STEPS = judgement(0.2, "chance")
JUMPS = judgement(0.01, "chance")
# Of more drops lost in a row nothing is reckoned.
_MOST_IN_ONE = effort(10, "drops")
# Finite, so that sums of chances that are nothing stay numbers.
_NEVER = -1e9


@dataclass(frozen=True, slots=True)
class Rhythm:
    """shape: of the Erlang intervals, whose sd is 1 / √shape of their mean.

    reach: how many steps the rate may wander to either side of the leak's; lost: share of the drops
    that the gate does not count.
    """

    shape: int
    reach: int
    lost: float = 0.0

    @property
    def rates(self) -> Floats:
        """(S,) rates as parts of the leak's."""
        return np.asarray(2.0 ** (_STEP * np.arange(-self.reach, self.reach + 1)))

    @property
    def log_first(self) -> Floats:
        """(S,) log-chance of each at the first drop."""
        weights = np.exp(-0.5 * (np.arange(-self.reach, self.reach + 1) / 2.0) ** 2)
        return np.asarray(np.log(weights / weights.sum()))

    @property
    def in_one(self) -> tuple[tuple[int, float], ...]:
        """How many drops an interval between counts is, with its chance."""
        if self.shape == 1:
            # Of drops at random a share is again drops at random: there is nothing to tell.
            return ((1, 1.0),)
        chances = [(1 - self.lost) * self.lost**k for k in range(_MOST_IN_ONE)]
        some = [(k + 1, chance / sum(chances)) for k, chance in enumerate(chances)]
        return tuple((k, chance) for k, chance in some if chance > 1e-3)


class Renewal:
    """Log-likelihood (R,) of the intervals since the first count, for drop rates (R,) per s.

    What stray counts there are is said with each count; that there are no others is left to the
    caller, since it holds for all rates alike.
    """

    def __init__(self, rates_per_s: Floats, rhythm: Rhythm) -> None:
        self.shape = rhythm.shape
        self.lost = rhythm.lost
        self.rates: Floats = rates_per_s[:, None] * rhythm.rates
        self.log_rates: Floats = np.log(self.rates)
        self.log_first: Floats = rhythm.log_first
        self.times_s: list[float] = []
        # (k, R, S): everything so far, with the last drop k counts back; last: the leak stopped.
        self.by_last: Floats = np.full((_BACK + 1, *self.rates.shape), _NEVER)

    @property
    def total(self) -> Floats:
        """(R,) log-likelihood of the counts so far."""
        return log_sum(log_sum(self.by_last, 0), -1)

    def add(
        self,
        t_s: float,
        log_stray: float,
        *,
        log_drop: float = 0.0,
        spacing_s: float = 0.0,
    ) -> None:
        """Take the next count.

        log_stray: of the rate per s of counts that are no drops, then; log_drop: how much better a
        drop explains how long the beam was dark; spacing_s: of the rows.
        """
        if not self.times_s:
            self.by_last[0] = self.log_first + log_drop
            self.times_s = [t_s] * _BACK
            return
        ages_s = np.maximum(t_s - np.array(self.times_s), _LEAST_GAP_S)
        gap_s = float(ages_s[0])
        interval = self._interval(ages_s, spacing_s)
        fell = log_sum(self.by_last[:_BACK] + interval, 0) + math.log(1 - STOPS)
        stopped = self._stopped() - AGAIN_PER_S * gap_s
        again = log_sum(stopped, -1)[:, None] + self.log_first + math.log(AGAIN_PER_S)
        after: Floats = np.empty_like(self.by_last)
        after[0] = np.logaddexp(_wandered(fell + self.log_rates, self.log_first), again) + log_drop
        after[1:_BACK] = self.by_last[: _BACK - 1] + log_stray
        after[_BACK] = stopped + log_stray
        self.by_last = after
        self.times_s = [t_s, *self.times_s[:-1]]

    def _interval(self, ages_s: Floats, spacing_s: float) -> Floats:
        """(k, R, S) log-density of the time since the drop k counts back."""
        interval = _log_interval(ages_s[:, None, None] * self.rates, self.shape, self.lost)
        hidden = self.rates * spacing_s > DROPS_A_ROW
        if not hidden.any():
            return interval
        # As good as drops at random, by the rate alone: were it by the interval, each could take
        # what suits it best, which no process does.
        at_random = _log_interval(ages_s[0] * self.rates, 1, 0.0)
        return np.where(hidden, at_random, interval)

    def until(self, t_s: float) -> Floats:
        """(R,) as `total`, with no count between the last one and t_s."""
        ages_s = np.maximum(t_s - np.array(self.times_s), 0.0)
        waiting = _log_longer(ages_s[:, None, None] * self.rates, self.shape, self.lost)
        going_on = log_sum(self.by_last[:_BACK] + waiting, 0) + math.log(1 - STOPS)
        stopped = self._stopped() - AGAIN_PER_S * float(ages_s[0])
        return log_sum(np.logaddexp(going_on, stopped), -1)

    def _stopped(self) -> Floats:
        """(R, S) the leak has stopped, before the last count or just after it."""
        return np.asarray(np.logaddexp(self.by_last[_BACK], self.by_last[0] + math.log(STOPS)))


def _wandered(terms: Floats, log_first: Floats) -> Floats:
    """(R, S) after a drop: a step up or down, none beyond the ends; a jump; or nothing."""
    step = terms + math.log(STEPS / 2)
    up = np.concatenate([step[:, :1], step[:, :-1]], axis=1)
    down = np.concatenate([step[:, 1:], step[:, -1:]], axis=1)
    stay = np.logaddexp(terms + math.log(1 - STEPS - JUMPS), np.logaddexp(up, down))
    jump = log_sum(terms, -1)[:, None] + log_first + math.log(JUMPS)
    return np.asarray(np.logaddexp(stay, jump))


def _log_interval(means: Floats, shape: int, lost: float) -> Floats:
    """Log-density of intervals in units of their mean."""
    parts = []
    x, log_x = shape * means, np.log(shape * means)
    for drops, chance in Rhythm(shape, 0, lost).in_one:
        n = drops * shape
        parts.append(math.log(shape * chance) + (n - 1) * log_x - x - math.lgamma(n))
    erlang = parts[0] if len(parts) == 1 else log_sum(np.array(parts), 0)
    return np.asarray(_or_any(erlang, means))


def _log_longer(means: Floats, shape: int, lost: float) -> Floats:
    """Log-probability of an interval longer than that, in units of its mean."""
    erlang = np.interp(means, _MEANS, _log_erlang_longer(shape, lost))
    return np.asarray(_or_any(erlang, means))


# Beyond ten means nothing is left of it that matters beside intervals of any length.
_MEANS: Floats = effort(np.linspace(0.0, 10.0, 2001), "means")


@cache
def _log_erlang_longer(shape: int, lost: float) -> Floats:
    """The same of Erlang intervals, at _MEANS."""
    x = shape * _MEANS
    chances = dict(Rhythm(shape, 0, lost).in_one)
    term = np.ones_like(x)
    total = np.ones_like(x)
    longer = np.zeros_like(x)
    for k in range(1, max(chances) * shape + 1):
        if k % shape == 0:
            longer += chances.get(k // shape, 0.0) * total
        term = term * (x / k)
        total = total + term
    return np.asarray(np.log(longer) - x)


def _or_any(erlang: Floats, means: Floats) -> Floats:
    kept_time, any_length = math.log(1 - ANY_LENGTH), math.log(ANY_LENGTH)
    return np.asarray(np.logaddexp(erlang + kept_time, any_length - means))
