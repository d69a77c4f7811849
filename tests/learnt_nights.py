"""Nights of a bench in a hall, for `tests.learnt`: decided alone, among others, by its own past.

Halls are of fifty benches. `alike`: built alike by one shop, with one reel of hose and one make of
carburettor; `unlike`: every bench another; `described`: each as its bench.toml says, so that alone
it is mostly proven tight with what all of them leak. The other 49 have had four tight soaks each,
without a leak, or each with one that everybody took for evaporation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from soakmon.app.capability_nights import (
    BOWLS_REL_SD,
    FEED_REL_SD,
    blind_night,
    make_night,
    past_soak,
)
from soakmon.capability.evaluate import Night, Result, judged
from soakmon.capability.plan import Case, Owner, Way
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.past import LEAST, READ_G, PastSoak
from soakmon.watch.settings import DESCRIBED, Priors, Settings

OTHERS, SOAKS = 49, 4
ALONE, AMONG, OWN = "alone", "among others", "three soaks of its own"


@dataclass(frozen=True, slots=True)
class Hall:
    """seed: which; alike: whether its benches are; common_g_per_day: what all of them leak;
    described: whether each is as it is described.
    """

    seed: int
    alike: bool
    common_g_per_day: float = 0.0
    described: bool = False

    @property
    def shop(self) -> int | None:
        """The shop whose like benches they are."""
        return 7_000_000 + self.seed if self.alike else None

    @property
    def name(self) -> str:
        """As the tables name it."""
        leak = f", all leak {self.common_g_per_day:g} g/day" if self.common_g_per_day else ""
        if self.described:
            return "benches as described" + leak
        return ("benches alike" if self.alike else "benches unlike") + leak


@dataclass(frozen=True, slots=True)
class HallNight:
    """A night of a bench of a hall; bench: which of it."""

    hall: Hall
    bench: int
    leak_g_per_day: float


@lru_cache(maxsize=4)
def others(hall: Hall, benches: int = OTHERS, soaks: int = SOAKS) -> list[list[PastSoak]]:
    """What the other benches of a hall have on record."""
    if hall.described:
        return [_as_described(hall, bench, soaks) for bench in range(benches)]
    return [
        [
            past_soak(_seed(hall, bench), night, hall.shop, hall.common_g_per_day)
            for night in range(-soaks, 0)
        ]
        for bench in range(benches)
    ]


def _as_described(hall: Hall, bench: int, soaks: int) -> list[PastSoak]:
    """Days of a bench that departs from its description as such benches do."""
    settings, rng = Settings(priors=DESCRIBED), np.random.default_rng([hall.seed, bench, 85])
    rates = settings.reference
    feed_g, bowls_g = 24 * float(rates.bottle + rates.hose), 24 * float(rates.bowls)
    feed, bowls = rng.lognormal(0, FEED_REL_SD), rng.lognormal(0, BOWLS_REL_SD)
    leak_g = hall.common_g_per_day
    lost = [
        (feed * feed_g + bowls * bowls_g) * rng.lognormal(0, 0.08) + leak_g + rng.normal(0, READ_G)
        for _ in range(soaks)
    ]
    spare_g = max(settings.criterion_g_per_day - leak_g, 0.0)
    return [PastSoak(max(float(one), 0.0), feed_g, bowls_g, spare_g) for one in lost]


def _seed(hall: Hall, bench: int) -> int:
    return 1 + 1000 * (2 * hall.seed + hall.alike) + bench


def made(asked: HallNight) -> tuple[Case, Night]:
    """The night, of a bench that is none of the others."""
    case = Case(
        10_000 * asked.hall.seed + asked.bench,
        _seed(asked.hall, OTHERS + 1 + asked.bench),
        asked.leak_g_per_day,
        Way.MASS_ONLY if asked.leak_g_per_day else Way.GATES,
        True,
        Owner.DESCRIBED if asked.hall.described else Owner.CARELESS,
    )
    if asked.hall.described:
        return case, make_night(replace(case, hard=False))
    return case, blind_night(case, shop=asked.hall.shop)


def told(asked: HallNight, night: Night, way: str, benches: int = OTHERS) -> Priors:
    """What the bench believes, by what it has to learn from."""
    priors = night.settings.priors
    if way == AMONG:
        return replace(priors, fleet=priors.taught_by_others(others(asked.hall, benches)))
    if way == OWN:
        seed, hall = _seed(asked.hall, OTHERS + 1 + asked.bench), asked.hall
        soaks = [past_soak(seed, k, hall.shop, hall.common_g_per_day) for k in range(-LEAST, 0)]
        own = replace(priors, past=priors.taught_by(soaks))
        # Whatever the others say: three soaks of its own outrank them.
        assert own.taught_by_others(others(asked.hall, benches)) == FleetPrior()
        return own
    return priors


def decided(
    asked: HallNight, ways: tuple[str, ...], benches: int = OTHERS
) -> Iterator[tuple[str, Result]]:
    """The same night, decided in each of these ways."""
    case, night = made(asked)
    for way in ways:
        settings = replace(night.settings, priors=told(asked, night, way, benches))
        yield way, judged(case, lambda *_, s=settings: replace(night, settings=s), deep=False)
