"""How a leak's rate changes by itself: it jumps, stops and starts again, or ends."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

_H = 3600.0
_NIGHT_S = 24 * _H


@dataclass(frozen=True, slots=True)
class Course:
    """Factor on a leak's rate: factors[k] from at_s[k] on, 1 before."""

    at_s: tuple[float, ...] = ()
    factors: tuple[float, ...] = ()

    def at(self, t_s: float) -> float:
        """The factor at a time."""
        place = bisect_right(self.at_s, t_s + 1e-6)
        return self.factors[place - 1] if place else 1.0

    def mean(self, from_s: float, to_s: float) -> float:
        """Its mean between two times."""
        edges = [from_s, *(t for t in self.at_s if from_s < t < to_s), to_s]
        spans = itertools.pairwise(edges)
        return sum(self.at(a) * (b - a) for a, b in spans) / (to_s - from_s)


def _steady(_from_s: float, _rng: np.random.Generator) -> Course:
    return Course()


def _jumps(from_s: float, rng: np.random.Generator) -> Course:
    """A seal that settles, dirt that shifts: by a factor of up to three, a few times."""
    times = np.sort(rng.uniform(from_s, _NIGHT_S, 1 + rng.poisson(2)))
    return Course(tuple(times.tolist()), tuple(rng.lognormal(0, 0.7, len(times)).tolist()))


def _pauses(from_s: float, rng: np.random.Generator) -> Course:
    """A seep that stops for an hour or three and starts again."""
    times, t_s = [], from_s
    while t_s < _NIGHT_S:
        t_s += float(rng.exponential(3 * _H)) + 600.0
        times.append(t_s)
    return Course(tuple(times), tuple(float(k % 2) for k in range(len(times))))


def _ends(from_s: float, rng: np.random.Generator) -> Course:
    """Dirt that is flushed away, a needle that seats itself."""
    end_s = from_s + float(rng.uniform(0.15, 0.6)) * (_NIGHT_S - from_s)
    return Course((end_s,), (0.0,))


COURSES: dict[str, Callable[[float, np.random.Generator], Course]] = {
    "steady": _steady,
    "jumps": _jumps,
    "pauses": _pauses,
    "ends": _ends,
}
_SHARES = (0.6, 0.2, 0.12, 0.08)


def draw_course(rng: np.random.Generator) -> str:
    """One of the courses; most leaks are steady (judgement)."""
    return str(rng.choice(list(COURSES), p=_SHARES))
