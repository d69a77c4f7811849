"""What other benches of a shop say of one that has too few soaks of its own: a hierarchical model.

Nights of a bench, benches of a kind (fuel, bottle, hose), what was believed before: the ratio of
loss to expectation of bench b is m_b ~ N(mu, tau²) on a logarithmic scale, or that of a bench of
which the expectation is wrong; its soaks speak of m_b as they do to the bench itself (`past`), each
cut off where its verdict would have changed. However many soaks a bench has, it is one draw of m.

A leak that many benches have cannot be told from evaporation by what they lose. So other benches
speak on one side only: that so much more than theirs is not evaporation. What they make likelier,
they make likelier for every smaller loss alike (`FleetPrior.keeps` falls from 1). Then, whatever
is read, more of it counts as a leak than without them, and no soak is tight for what other benches
lose; and the doubt in the expectation is never less (`thinned`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.physics.described import WRONG_LOG_SD
from soakmon.texts import say
from soakmon.watch.past import (
    BENCHES,
    BY_NIGHT,
    PastSoak,
    log_chance,
    spread_before,
    usable,
)
from soakmon.watch.rows import Floats

# Fewer benches than this tell their own peculiarities rather than their kind's.
LEAST_BENCHES = judgement(3, "benches")
# Of what benches are unlike by before any has told: what a kind has in common, and what its benches
# differ by, on a logarithmic scale; and how well the latter is known.
_COMMON_SHARE = judgement(0.7, "share")
_APART_SHARE = judgement(0.7, "share")
_APART_LOG_SD = judgement(0.6, "log. sd")
# Means of a kind, and spreads of its benches, that are weighed.
_MEANS: Floats = effort(np.linspace(-1.5, 1.5, 61), "log.")
_SPREADS: Floats = effort(np.geomspace(0.05, 1.5, 16), "log. sd")
# How finely what is learnt is kept, and what is as good as all.
_STEP = effort(0.1, "log.")
_ALL = effort(0.999, "share")


@dataclass(frozen=True, slots=True)
class FleetPrior:
    """What other benches of its kind say of a bench.

    benches, soaks: how many have said it. ratio: what they lose over the expected, in the middle;
    spread: sd from bench to bench and night to night, logarithmic. keeps: (logarithm of loss over
    expectation, share that is still believed of so large a one), from 1 downward; empty: they say
    nothing.
    """

    benches: int = 0
    soaks: int = 0
    ratio: float = 1.0
    spread: float = 0.0
    keeps: tuple[tuple[float, float], ...] = ()

    @property
    def text(self) -> str:
        """In words; empty when there is nothing to say."""
        if not self.benches:
            return ""
        low, high = (self.ratio * math.exp(by * self.spread) for by in (-2, 2))
        return say(
            "fleet_prior.lose_of_expected",
            benches=self.benches,
            soaks=self.soaks,
            ratio=f"{100 * self.ratio:.0f}",
            low=f"{100 * low:.0f}",
            high=f"{100 * high:.0f}",
        )

    def kept(self, ratios: Floats) -> Floats:
        """Share that is still believed of benches that lose so much over the expected."""
        if not self.keeps:
            return np.ones_like(ratios)
        at, share = np.array(self.keeps).T
        return np.asarray(np.interp(np.log(np.maximum(ratios, 1e-9)), at, share))


def pooled(
    benches: Sequence[Sequence[PastSoak]],
    scales: tuple[float, float],
    rel_sds: tuple[float, float],
    doubt: float,
) -> FleetPrior:
    """What other benches of the kind teach; nothing where too few of them have had a tight soak.

    benches: the soaks of each, the latest first; the rest as in `past.learnt`, of the bench that is
    taught.
    """
    tight = [[soak for soak in usable(soaks) if soak.spare_g is not None] for soaks in benches]
    tight = [soaks for soaks in tight if soaks]
    if len(tight) < LEAST_BENCHES:
        return FleetPrior()
    every = [soak for soaks in tight for soak in soaks]
    believed = _believed(spread_before(every, scales, rel_sds))
    of_kinds = _of_kinds(doubt)
    weight = believed.copy()
    for soaks in tight:
        chance = log_chance(soaks, scales)
        by_bench = np.exp(chance - chance.max()).sum(axis=1)
        weight += np.log(of_kinds @ by_bench + 1e-300).reshape(weight.shape)
    now, before = _next_bench(weight), _next_bench(believed)
    middle = float(now @ BENCHES)
    return FleetPrior(
        len(tight),
        len(every),
        round(math.exp(middle), 4),
        round(math.sqrt(float(now @ (BENCHES - middle) ** 2)), 4),
        _falling(now / before),
    )


def _believed(before: float) -> Floats:
    """(means, spreads) log-weight of what a kind may be like, before any bench has told."""
    mean = -0.5 * (_MEANS / (_COMMON_SHARE * before)) ** 2
    spread = -0.5 * (np.log(_SPREADS / (_APART_SHARE * before)) / _APART_LOG_SD) ** 2
    return np.asarray(mean[:, None] + spread)


@lru_cache(maxsize=8)
def _of_kinds(doubt: float) -> Floats:
    """(kinds, departures) chance of a bench's departure in each kind, row by row."""
    usual = _normal(np.tile(_SPREADS, len(_MEANS)))
    wrong = _normal(np.hypot(np.tile(_SPREADS, len(_MEANS)), WRONG_LOG_SD))
    return (1 - doubt) * usual + doubt * wrong


def _normal(sd: Floats) -> Floats:
    """(kinds, departures) normal about each mean of a kind, with its sd (kinds,)."""
    z = (BENCHES - np.repeat(_MEANS, len(_SPREADS))[:, None]) / sd[:, None]
    return np.asarray(np.exp(-0.5 * z**2) / sd[:, None])


def _next_bench(log_weight: Floats) -> Floats:
    """(departures,) chance of one night of a bench that has not told anything, summing to 1."""
    weight = np.exp(log_weight - log_weight.max()).ravel()
    chance = weight @ _normal(np.hypot(np.tile(_SPREADS, len(_MEANS)), BY_NIGHT))
    return np.asarray(chance / chance.sum())


def _falling(gain: Floats) -> tuple[tuple[float, float], ...]:
    """What is kept by departure: as the gain, but never rising, and at most all of it."""
    kept = np.maximum.accumulate(gain[::-1])[::-1] / gain.max()
    fewer = np.flatnonzero(kept < _ALL)
    if not len(fewer):
        return ()
    at = np.arange(float(BENCHES[fewer[0]]), float(BENCHES[-1]), _STEP).tolist()
    shares = [1.0, *np.interp(at[1:], BENCHES, kept).tolist()]
    return tuple((round(x, 3), round(share, 4)) for x, share in zip(at, shares, strict=True))


def thinned(ratios: Floats, wrong: NDArray[np.bool_], fleet: FleetPrior) -> Floats:
    """Weights of drawn benches, by what they lose over the expected (S,), when others have told.

    wrong: those of which the expectation is wrong. These are told nothing: up to where the others
    are thinned out they gain as much as those do, and beyond it they stay as likely as they were.
    So with P the distribution before and Q after, Q(x)/P(x) falls with x throughout: given that
    up to x has evaporated, it is after never less likely than before that less than y < x has.
    """
    kept = fleet.kept(ratios)
    above = wrong & (np.log(np.maximum(ratios, 1e-9)) > fleet.keeps[0][0])
    below = wrong & ~above
    total = kept[~wrong].sum() + below.sum()
    stays = total / (len(ratios) - above.sum())
    return np.where(above, stays, np.where(wrong, 1.0, kept))
