"""The plan of blind nights: which leaks, how they can be known of, and on whose benches."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np


class Way(StrEnum):
    """How the decider can know of a leak."""

    GATES = "gates"
    MASS_ONLY = "mass_only"
    AFTER_BLANK = "mass_only_after_blank"


# Every second night is disturbed by something.
_HARD_EVERY = 2
# Induced leaks in g/day: around what can just be found, and up to what floods.
LEAKS_G_PER_DAY: dict[Way, tuple[float, ...]] = {
    Way.GATES: (0.1, 0.2, 0.4, 1.0, 4.0, 24.0, 100.0, 600.0),
    Way.MASS_ONLY: (2.0, 3.0, 4.5, 6.0, 9.0, 12.0),
    Way.AFTER_BLANK: (1.0, 1.5, 2.0, 3.0, 4.5, 6.0),
}
# Leak or none, and how it can be known of.
_TURNS = (
    (False, Way.GATES), (True, Way.GATES), (True, Way.MASS_ONLY),
    (False, Way.AFTER_BLANK), (True, Way.GATES), (True, Way.AFTER_BLANK),
)  # fmt: skip
_TIGHT_AMONG = 4  # every third is without a leak


class Owner(StrEnum):
    """Whose bench a night is of, by what is known of it.

    described: it is what bench.toml says. The others' are not: careless ones leave bench.toml as it
    comes, careful ones say what can be read and measured; blank and past ones are careless, but
    have done a blank run, or thirty soaks before.
    """

    DESCRIBED = "described"
    CARELESS = "careless"
    CAREFUL = "careful"
    BLANK = "blank"
    PAST = "past"


# Whose nights they are: a blank run is that of its own way.
_OWNERS: dict[Way, tuple[str, ...]] = {
    Way.GATES: (Owner.CARELESS, Owner.CAREFUL, Owner.BLANK, Owner.PAST),
    Way.MASS_ONLY: (Owner.CARELESS, Owner.CAREFUL, Owner.PAST),
    Way.AFTER_BLANK: (Owner.BLANK,),
}
_NIGHTS_A_BENCH = 10


@dataclass(frozen=True, slots=True)
class Case:
    """A night to make: its place in the plan, its seed and what is induced (0 g/day: nothing).

    hard: something disturbs it; owner: see `Owner`; lost: share of the drops that the gate does not
    see; night: which one of a bench, where a bench has several.
    """

    index: int
    seed: int
    leak_g_per_day: float
    way: Way
    hard: bool = False
    owner: Owner = Owner.DESCRIBED
    lost: float = 0.0
    night: int = 0


def plan(nights: int, seed: int) -> list[Case]:
    """Which nights to make: a third without a leak, a third seen by gates, a third by mass alone.

    The order is shuffled, so that a part of the plan is already a fair sample; each way's nights go
    to its owners in turn.
    """
    rng = np.random.default_rng([seed, 1])
    lanes = {way: itertools.cycle(rates) for way, rates in LEAKS_G_PER_DAY.items()}
    dealt = [
        (next(lanes[way]) if leaks else 0.0, way)
        for leaks, way in itertools.islice(itertools.cycle(_TURNS), nights)
    ]
    order = rng.permutation(nights)
    seeds = rng.integers(1, 2**31, nights)
    owners = {way: itertools.cycle(rng.permutation(names)) for way, names in _OWNERS.items()}
    cases = []
    for k in range(nights):
        leak, way = dealt[int(order[k])]
        hard = int(seeds[k]) % _HARD_EVERY == 0
        cases.append(Case(k, int(seeds[k]), leak, way, hard, Owner(next(owners[way]))))
    return _few_benches(cases)


def plan_tight(nights: int, seed: int) -> list[Case]:
    """The first so many nights without a leak: what they show takes no others."""
    cases = (case for case in plan(_TIGHT_AMONG * nights, seed) if not case.leak_g_per_day)
    return list(itertools.islice(cases, nights))


def _few_benches(cases: list[Case]) -> list[Case]:
    """Nights after thirty soaks are of few benches, since each has to be soaked thirty times."""
    past = [case.index for case in cases if case.owner is Owner.PAST]
    benches = [cases[index].seed for index in past[::_NIGHTS_A_BENCH]]
    dealt = dict(zip(past, itertools.cycle(benches), strict=False))
    return [
        replace(case, seed=dealt[case.index], night=1 + case.index) if case.index in dealt else case
        for case in cases
    ]
