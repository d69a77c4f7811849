"""What `tests.compare` makes of judged nights: thresholds, smallest leaks, ratios."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import isotonic_regression

OURS, ORACLE = "soakmon", "oracle"
# Soakmon's tests as scores, with the limit set like everybody's.
FITTED, TAIL, RATIO = "soakmon at 1 %", "soakmon's mass", "soakmon's gates"
FALSE_ALARMS = 0.01
DETECTION = 0.95
DROPS, HOURS, LOSS = "drops at a gate", "hours with drops", "loss over the night"
EITHER = "loss, or drops"
FOREST = "isolation forest"


def lent(way: str) -> str:
    """The name of a way that is lent soakmon's expectation: it sees what goes beyond."""
    return f"{way}, lent"


TOGETHER = {
    EITHER: (LOSS, DROPS),
    lent(EITHER): (lent(LOSS), DROPS),
    FITTED: (TAIL, RATIO),
}
_LEAST_DROPS = 5.0


class Score(NamedTuple):
    """Running highest score at times s, both rising; a night is called leaking above a limit."""

    t_s: Sequence[float]
    score: Sequence[float]

    def over_s(self, limit: float) -> float | None:
        """When the score first passed the limit; None: never."""
        over = np.flatnonzero(np.asarray(self.score) > limit)
        return float(self.t_s[over[0]]) if len(over) else None

    def at_end(self) -> Score:
        """Its last value alone, which is what a threshold is set by."""
        return Score(self.t_s[-1:], self.score[-1:])


class Told(NamedTuple):
    """A night on one lane and what each way said: scores, or when it alarmed (None: never).

    leak_g_per_day: what was induced, 0: nothing; began_s: as in `Night`, None: nothing showed;
    hours: what the forest is given, of the loss and of what is beyond the expected; over_bound:
    error of the estimate over the least sd possible.
    """

    scenario: str
    lane: str
    leak_g_per_day: float
    number: int
    began_s: float | None
    scores: dict[str, Score]
    hours: list[list[list[float]]]
    alarms: dict[str, float | None]
    over_bound: float | None

    @classmethod
    def from_json(cls, values: Sequence) -> Told:
        """As written by `json`, to which tuples are lists."""
        made = cls(*values)
        return made._replace(scores={name: Score(*score) for name, score in made.scores.items()})


def limit_of(final: Iterable[float], weights: Iterable[float], share: float) -> float:
    """The least score that a further tight night passes with a chance of at most `share`.

    final: scores of tight nights, weights: what each stands for. The further night counts as one
    that passes, with the largest weight: of n equal ones the k-th highest is passed with a chance
    of k / (n + 1), whatever the scores' distribution. The highest where the nights are too few.
    """
    scores, parts = np.array(list(final)), np.array(list(weights))
    parts = parts / parts.sum()
    spare = parts.max()
    limit = scores.max()
    for score in np.unique(scores)[::-1]:
        if (parts[scores > score].sum() + spare) / (1 + spare) > share + 1e-12:
            break
        limit = score
    return float(limit)


def alarms_of(
    nights: Sequence[Told], tight: Sequence[Told], weights: Sequence[float]
) -> list[dict[str, float | None]]:
    """When each way alarms on each night, its limit set by the tight nights; what is known stays.

    Two scores `TOGETHER` share the one rate of false alarms, half to each.
    """

    def limit(name: str, share: float) -> float:
        found = limit_of((n.scores[name].score[-1] for n in tight), weights, share)
        return max(found, _LEAST_DROPS) if name == DROPS else found

    limits = {name: limit(name, FALSE_ALARMS) for name in tight[0].scores}
    halves = {
        way: {name: limit(name, FALSE_ALARMS / 2) for name in pair}
        for way, pair in TOGETHER.items()
        if set(pair) <= set(limits)
    }
    told = []
    for night in nights:
        alarms = {name: night.scores[name].over_s(over) for name, over in limits.items()}
        for way, pair in halves.items():
            both = [night.scores[name].over_s(over) for name, over in pair.items()]
            alarms[way] = min((t_s for t_s in both if t_s is not None), default=None)
        told.append(alarms | night.alarms)
    return told


def smallest_leak(tried: Iterable[tuple[float, bool]], share: float = DETECTION) -> float | None:
    """The leak in g/day from which on `share` of nights are found; None where that is never.

    tried: (leak, whether found) of each night. The share found is made to rise with the leak by
    isotonic regression, and read between two leaks on a logarithmic scale.
    """
    nights = list(tried)
    leaks = np.unique([leak for leak, _ in nights])
    hits = [[found for leak, found in nights if leak == each] for each in leaks]
    shares = [float(np.mean(each)) for each in hits]
    rising = isotonic_regression(shares, weights=[len(each) for each in hits]).x
    enough = np.flatnonzero(rising >= share - 1e-9)
    if not len(enough):
        return None
    first = int(enough[0])
    if first == 0:
        return float(leaks[0])
    part = (share - rising[first - 1]) / (rising[first] - rising[first - 1])
    low, high = np.log(leaks[first - 1 : first + 1])
    return float(np.exp(low + part * (high - low)))


def times_smaller(ours: float | None, other: float | None, largest: float) -> float:
    """How many times ours the other's smallest leak is; None counts as the largest leak tried."""
    return (other or largest) / (ours or largest)


def median_delay_h(alarms: Iterable[tuple[float | None, float]]) -> float | None:
    """Median over nights of (alarm, beginning) in s; no alarm is never, None: half are never."""
    delays = [np.inf if alarm is None else (alarm - began) / 3600 for alarm, began in alarms]
    middle = float(np.median(delays)) if delays else np.inf
    return middle if np.isfinite(middle) else None


def ratio_lines(
    smallest: Mapping[str, Mapping[tuple[str, str], float | None]],
    ours: str,
    largest: Mapping[tuple[str, str], float],
) -> list[str]:
    """A line of each way: its smallest leak over ours in each column, their median and least.

    smallest: way to column to g/day; largest: leak tried, by column. `>` where the other never
    found 95 %, so that the ratio is at least that; `!` where ours is not smaller.
    """
    heads = zip(*largest, strict=True)
    lines = [f"{'':22}" + "".join(f"{head:>9}" for head in line) for line in heads]
    lines[-1] += f"{'median':>9}{'least':>9}"
    everything: list[float] = []
    for way, found in smallest.items():
        if way == ours:
            continue
        ratios = {at: times_smaller(smallest[ours][at], found[at], largest[at]) for at in largest}
        cells = [
            f"{'>' if found[at] is None else ''}{ratio:.1f}{'!' if ratio <= 1 else ' '}"
            for at, ratio in ratios.items()
        ]
        cells += [f"{end:.1f} " for end in (np.median(list(ratios.values())), min(ratios.values()))]
        lines.append(f"{way:22}" + "".join(f"{cell:>9}" for cell in cells))
        everything += ratios.values()
    return [*lines, f"all: median {np.median(everything):.2f}, least {min(everything):.2f}"]
