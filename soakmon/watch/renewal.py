"""How well drops at nearly regular intervals explain the counts of a gate, stray counts among them.

Drops of one leak follow one another like a renewal process with Erlang intervals, at a rate that
wanders by small steps about the leak's: what feeds a drip changes with temperature and head. A gate
loses some of them, so an interval may be two or three; now and then a drop is shaken off, and an
interval is of any length. A stray count between two drops must not break the rhythm, so the last
drop may be the last count or one of the two before it; and a leak may stop (a seal swells, a crack
runs dry), with later counts stray, and begin again. A forward recursion carries these possibilities
along, for each rhythm and rate at once.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.watch.logs import log_sum
from soakmon.watch.rhythm import Rhythm, Tracks, tracks_of
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
# Finite, so that sums of chances that are nothing stay numbers.
_NEVER = -1e9


class Renewals:
    """Log-likelihoods (H, R) of the intervals since the first count, by rhythm and drop rate per s.

    What stray counts there are is said with each count; that there are no others is left to the
    caller, since it holds for all rates alike.
    """

    def __init__(self, rates_per_s: Floats, rhythms: tuple[Rhythm, ...]) -> None:
        self.rhythms = rhythms
        self.tracks: Tracks = tracks_of(rhythms)
        self.rates: Floats = rates_per_s[:, None] * self.tracks.rates
        self.log_rates: Floats = np.log(self.rates)
        self.times_s: list[float] = []
        # (k, R, T): everything so far, with the last drop k counts back; last: the leak stopped.
        self.by_last: Floats = np.full((_BACK + 1, *self.rates.shape), _NEVER)

    @property
    def total(self) -> Floats:
        """(H, R) log-likelihood of the counts so far."""
        return self._by_rhythm(log_sum(self.by_last, 0))

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
            self.by_last[0] = self.tracks.log_first + log_drop
            self.times_s = [t_s] * _BACK
            return
        ages_s = np.maximum(t_s - np.array(self.times_s), _LEAST_GAP_S)
        means = ages_s[:, None, None] * self.rates
        hidden = self.rates * spacing_s > DROPS_A_ROW
        interval = self._interval(means, hidden)
        fell = log_sum(self.by_last[:_BACK] + interval, 0) + self.log_rates + math.log(1 - STOPS)
        stopped = self._stopped() - AGAIN_PER_S * float(ages_s[0])
        after: Floats = np.empty_like(self.by_last)
        after[0] = self._next_drop(fell, stopped + math.log(AGAIN_PER_S)) + log_drop
        # Where the rows hide when drops fell, each count waits for itself: so does a stray one.
        after[1:_BACK] = self.by_last[: _BACK - 1] + log_stray - np.where(hidden, means[0], 0.0)
        after[_BACK] = stopped + log_stray
        self.by_last = after
        self.times_s = [t_s, *self.times_s[:-1]]

    def until(self, t_s: float) -> Floats:
        """(H, R) as `total`, with no count between the last one and t_s."""
        ages_s = np.maximum(t_s - np.array(self.times_s), 0.0)
        waiting = self._log_longer(ages_s[:, None, None] * self.rates)
        going_on = log_sum(self.by_last[:_BACK] + waiting, 0) + math.log(1 - STOPS)
        stopped = self._stopped() - AGAIN_PER_S * float(ages_s[0])
        return self._by_rhythm(np.logaddexp(going_on, stopped))

    def _by_rhythm(self, terms: Floats) -> Floats:
        """(H, R) sums of terms (R, T) over the tracks of each rhythm."""
        return _log_sums(terms, self.tracks.starts, self.tracks.rhythm).T

    def _stopped(self) -> Floats:
        """(R, T) the leak has stopped, before the last count or just after it."""
        return np.asarray(np.logaddexp(self.by_last[_BACK], self.by_last[0] + math.log(STOPS)))

    def _next_drop(self, fell: Floats, again: Floats) -> Floats:
        """(R, T) after a drop: the leak went on to it, or had stopped and begins again with it."""
        tracks = self.tracks
        top = np.maximum.reduceat(np.maximum(fell, again), tracks.starts, axis=1)[:, tracks.rhythm]
        chances = np.exp(fell - top) @ tracks.wanders + np.exp(again - top) @ tracks.begins
        return np.asarray(top + np.log(chances))

    def _interval(self, means: Floats, hidden: NDArray[np.bool_]) -> Floats:
        """(k, R, T) log-density of the time since the drop k counts back, in units of its mean."""
        interval = _or_any(_log_erlang(means, self.tracks), means)
        if not hidden.any():
            return interval
        # As good as drops at random, by the rate alone: were it by the interval, each could take
        # what suits it best, which no process does.
        return np.where(hidden, _or_any(-means[0], means[0]), interval)

    def _log_longer(self, means: Floats) -> Floats:
        """(k, R, T) log-probability of an interval longer than that, in units of its mean."""
        erlang = np.empty_like(means)
        for rhythm, own in zip(self.rhythms, self.tracks.own, strict=True):
            longer = _log_erlang_longer(rhythm.shape, rhythm.lost)
            erlang[:, :, own] = np.interp(means[:, :, own], _MEANS, longer)
        return _or_any(erlang, means)


def _log_sums(terms: Floats, starts: NDArray[np.intp], group: NDArray[np.intp]) -> Floats:
    """(…, G) logs of sums over the terms (…, N) of each group, which begin at `starts`."""
    top = np.maximum.reduceat(terms, starts, axis=-1)
    sums = np.add.reduceat(np.exp(terms - top[..., group]), starts, axis=-1)
    return np.asarray(top + np.log(sums))


def _log_erlang(means: Floats, tracks: Tracks) -> Floats:
    """(k, R, T) log-density of intervals that keep time, in units of their mean."""
    x = tracks.shape * means
    numbers = (tracks.steps - 1) * np.log(x)[..., tracks.track] + tracks.log_scale
    return _log_sums(numbers, tracks.number_starts, tracks.track) - x


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
