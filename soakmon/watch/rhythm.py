"""How drops keep time: intervals of a shape, a rate that wanders by steps, drops not counted.

Each step that a rate may be at is a track. Of several rhythms the tracks lie side by side, so that
one sum serves all of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.watch.rows import Floats

# Steps of the wandering rate: a sixth of an octave, at one drop in five; and jumps.
_STEP = effort(1 / 6, "octaves")
STEPS = judgement(0.2, "chance")
JUMPS = judgement(0.01, "chance")
# Of more drops lost in a row nothing is reckoned.
_MOST_IN_ONE = effort(10, "drops")


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

    @property
    def wanders(self) -> Floats:
        """(S, S) after a drop: a step up or down, none beyond the ends; a jump; or nothing."""
        size = 2 * self.reach + 1
        near = np.eye(size, k=1) + np.eye(size, k=-1)
        near[0, 0] += 1
        near[-1, -1] += 1
        stay = (1 - STEPS - JUMPS) * np.eye(size)
        return np.asarray(stay + STEPS / 2 * near + JUMPS * np.exp(self.log_first))


@dataclass(frozen=True, slots=True, eq=False)
class Tracks:
    """H rhythms as T tracks, whose intervals between counts are Q numbers of drops in all."""

    rates: Floats
    """(T,) parts of the leak's."""
    shape: Floats
    """(T,)"""
    log_first: Floats
    """(T,)"""
    wanders: Floats
    """(T, T) chances from track to track, after a drop."""
    begins: Floats
    """(T, T) chances of the track of a leak that begins again, by the one on which it stopped."""
    rhythm: NDArray[np.intp]
    """(T,) of each track."""
    own: tuple[slice, ...]
    """Tracks of each rhythm."""
    starts: NDArray[np.intp]
    """(H,) first track of each rhythm."""
    track: NDArray[np.intp]
    """(Q,) of each number of drops."""
    number_starts: NDArray[np.intp]
    """(T,) first number of drops of each track."""
    steps: Floats
    """(Q,) steps of the Poisson process in so many drops."""
    log_scale: Floats
    """(Q,) log of the chance of so many drops, and of what scales their Erlang density."""


@cache
def tracks_of(rhythms: tuple[Rhythm, ...]) -> Tracks:
    """The tracks of these rhythms, in their order."""
    sizes = [2 * rhythm.reach + 1 for rhythm in rhythms]
    starts = np.cumsum([0, *sizes[:-1]])
    own = tuple(slice(start, start + size) for start, size in zip(starts, sizes, strict=True))
    each = [rhythm for rhythm, size in zip(rhythms, sizes, strict=True) for _ in range(size)]
    numbers = [
        (track, drops * rhythm.shape, math.log(rhythm.shape * chance))
        for track, rhythm in enumerate(each)
        for drops, chance in rhythm.in_one
    ]
    wanders = np.zeros((len(each), len(each)))
    begins = np.zeros_like(wanders)
    for rhythm, among in zip(rhythms, own, strict=True):
        wanders[among, among] = rhythm.wanders
        begins[among, among] = np.exp(rhythm.log_first)
    return Tracks(
        rates=np.concatenate([rhythm.rates for rhythm in rhythms]),
        shape=np.array([float(rhythm.shape) for rhythm in each]),
        log_first=np.concatenate([rhythm.log_first for rhythm in rhythms]),
        wanders=wanders,
        begins=begins,
        rhythm=np.repeat(np.arange(len(rhythms)), sizes),
        own=own,
        starts=starts,
        track=np.array([track for track, _, _ in numbers]),
        number_starts=np.cumsum([0, *(len(rhythm.in_one) for rhythm in each[:-1])]),
        steps=np.array([float(steps) for _, steps, _ in numbers]),
        log_scale=np.array([log - math.lgamma(steps) for _, steps, log in numbers]),
    )
