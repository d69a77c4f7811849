"""Counts in company: what the other gates, and the gate itself, counted close to a count.

A slammed door, a grinder, somebody at the bench or a load that is switched makes counts at several
gates, within a second or within a minute of each other, and often more than one at a gate. Drops of
two carburettors know nothing of each other. So a count is weighed once a minute has passed, and
beside what any count may be, it may be the company of its neighbours: how likely that is follows
from how often this gate has counted when others did, beyond chance.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.rows import Floats

# A bang is over within seconds, a disturbance within a minute (judgement), or a row.
_AT_ONCE_S = judgement(2.0, "s")
NEAR_S = judgement(60.0, "s")
_AT_ONCE_SHARE = judgement(0.7, "chance")
# Counts of one gate so close are one moment of it.
_MOMENT_S = judgement(5.0, "s")
# As if it had been seen: half a company in two moments of the others.
_SEEN = judgement(0.5, "moments")
_OF = judgement(2.0, "moments")
# By chance at least so often, however seldom the others have counted.
_LEAST_CHANCE = judgement(0.01, "chance")
# How far back others count as lively, and the share of the time from which they crowd.
_LATELY_S = judgement(3600.0, "s")
_CROWDED = judgement(0.3, "chance")
# Share of counts followed at once by another: ringing, a satellite, a load that chatters.
_FOLLOWED = judgement(0.15, "chance")
_FOLLOWS_S = judgement(1.0, "s")


@dataclass(frozen=True, slots=True)
class Count:
    """One count at t_s (s) of a gate, and what is known of it when it is weighed.

    spacing_s: what its time is known to; row_s: end of the row that it came in; dark_ms: how long
    the beam was dark, NaN where unknown.
    """

    t_s: float
    spacing_s: float
    row_s: float
    dark_ms: float


@dataclass(frozen=True, slots=True)
class Near:
    """What is near a count.

    others_per_s: how many counts per s the company of other gates makes then; follows_per_s: and
    what the gate itself has just counted; others: whether another gate counted within a minute;
    chance: how likely that was by chance, NaN where the count only follows one of its own; third:
    it is the third at once: a drop has one satellite at most.
    """

    others_per_s: float
    follows_per_s: float
    others: bool
    chance: float
    third: bool = False

    @property
    def per_s(self) -> float:
        """How many counts per s company of any kind makes."""
        return self.others_per_s + self.follows_per_s

    def heard(self, share: Floats) -> Floats:
        """Log of how much likelier this is, if others hear such a share of what the gate counts."""
        if not math.isfinite(self.chance):
            return np.zeros(len(share))
        chance = min(max(self.chance, _LEAST_CHANCE), 1 - _LEAST_CHANCE)
        either = 1 - (1 - share) * (1 - chance)
        return np.log(either / chance) if self.others else np.log(1 - share)


class Company:
    """The counts of all gates that wait to be weighed, and their moments."""

    def __init__(self, gates: int, start_s: float) -> None:
        self.start_s = start_s
        self.waiting: list[list[Count]] = [[] for _ in range(gates)]
        # Of each gate: its moments, and those of all the others together.
        self.own_s: list[list[float]] = [[] for _ in range(gates)]
        self.others_s: list[list[float]] = [[] for _ in range(gates)]
        self.last_s = [-math.inf] * gates
        self.at_once = [0] * gates
        self.shared = [0.0] * gates
        self.by_chance = [0.0] * gates

    def hear(self, gate: int, t_s: float, counts: int, spacing_s: float, dark_ms: float) -> None:
        """Counts of a gate in the spacing_s before t_s."""
        for k in range(counts):
            at_s = t_s - spacing_s * (1 - (k + 1) / counts)
            self.waiting[gate].append(Count(at_s, spacing_s, t_s, dark_ms))
        _note(self.own_s[gate], t_s, spacing_s)
        for other, moments in enumerate(self.others_s):
            if other != gate:
                _note(moments, t_s, spacing_s)

    def due(self, gate: int, until_s: float) -> list[Count]:
        """Counts of a gate in rows up to until_s, oldest first, which then wait no more."""
        waiting = self.waiting[gate]
        ready = [count for count in waiting if count.row_s <= until_s]
        self.waiting[gate] = [count for count in waiting if count.row_s > until_s]
        return ready

    def near(self, gate: int, count: Count) -> Near:
        """What was counted near a count; learns from it."""
        moments = self.others_s[gate]
        at_once_s, near_s = max(_AT_ONCE_S, count.spacing_s), max(NEAR_S, count.spacing_s)
        close = _around(moments, count.t_s, at_once_s) / (2 * at_once_s)
        around = _around(moments, count.t_s, near_s)
        shape = _AT_ONCE_SHARE * close + (1 - _AT_ONCE_SHARE) * around / (2 * near_s)
        share = max(self.shared[gate] - self.by_chance[gate], 0.0) + _SEEN
        company = min(share / (len(moments) + _OF), 1.0) * shape
        follows_s = max(_FOLLOWS_S, count.spacing_s)
        follows = count.t_s - self.last_s[gate] <= follows_s
        self.last_s[gate] = count.t_s
        chance = _by_chance(moments, count.t_s, near_s, self.start_s)
        if chance > _CROWDED:
            # Where others count all the time, only what comes at once is company.
            chance = _by_chance(moments, count.t_s, at_once_s, self.start_s)
            around = _around(moments, count.t_s, at_once_s)
        self.at_once[gate] = self.at_once[gate] + 1 if follows else 1
        if follows:
            third = self.at_once[gate] == 3 and count.spacing_s <= _AT_ONCE_S
            return Near(company, _FOLLOWED / follows_s, False, math.nan, third)
        self.shared[gate] += float(around > 0)
        self.by_chance[gate] += chance
        return Near(company, 0.0, around > 0, chance)


def _note(moments: list[float], t_s: float, spacing_s: float) -> None:
    if not moments or t_s - moments[-1] > max(_MOMENT_S, spacing_s):
        moments.append(t_s)


def _by_chance(moments: list[float], t_s: float, near_s: float, start_s: float) -> float:
    """Share of the time that lies near a moment: in the last hour, or ever if that is more.

    Gates that drip at once meet by chance, and what keeps time covers more of it than what comes
    at random.
    """
    ever_s = max(t_s - start_s, 2 * near_s)
    past = bisect_right(moments, t_s)
    ever = -math.expm1(-past * 2 * near_s / ever_s)
    recent = moments[bisect_left(moments, t_s - _LATELY_S) : past]
    covered_s = sum(min(after - before, 2 * near_s) for before, after in pairwise(recent))
    covered_s += 2 * near_s if recent else 0.0
    return max(ever, min(covered_s / min(ever_s, _LATELY_S), 1.0))


def _around(moments: list[float], t_s: float, within_s: float) -> int:
    """How many moments are so near to t_s."""
    return bisect_right(moments, t_s + within_s) - bisect_left(moments, t_s - within_s)
