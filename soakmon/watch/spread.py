"""What a tight rack may evaporate: draws from the beliefs, and Gaussian slices of them.

How far a part of the bench departs from its drawing is a factor, known on a logarithmic scale: a
hose lets through three times as much more readily than nothing at all. The mass filter is linear
and wants normal distributions. So the draws are cut into slices by what all parts lose together,
and each slice is taken as normal with the moments of its draws (Gaussian sum, Sorenson & Alspach
1971, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.physics.described import WRONG_LOG_SD
from soakmon.watch.fleet_prior import FleetPrior, thinned
from soakmon.watch.rows import Floats
from soakmon.watch.settings import Priors, Settings

PARTS = 2
# So many benches are drawn, and so many of them shown in the band.
_DRAWS = effort(20_000, "draws")
_SHOWN = effort(2_000, "draws")
# Edges of the slices, as shares of the draws: fine where a leak has to be told from a wide belief.
_EDGES = effort(
    (0.0, 0.01, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 0.985, 0.997, 0.9993, 1.0), "share"
)
# Each is cut by how much of the loss is the bowls', and no piece is wider than that nothing in it
# takes fuel in: a normal distribution of both would. All parts together are further from it: a rack
# that breathed fuel in while it leaks would fit whatever a cell does with the temperature.
_SHARES = effort(3, "pieces")
_SDS_ABOVE_NONE = effort(3.0, "sd")
_ALL_SDS_ABOVE_NONE = effort(8.0, "sd")
# A hose of low permeation, over one of the others.
_LOW_HOSE = judgement(0.02, "times")
# No slice is narrower than this.
_LEAST_VARIANCE = effort(1e-5, "variance")
# Hardly any bench loses less than so many of them do (judgement).
_HARDLY = judgement(0.005, "chance")


@dataclass(frozen=True, slots=True)
class Spread:
    """Factors on the best expectation of bottle with hose and of the bowls: (S, 2) draws.

    untold: the same without what other benches have told, and weight (S,): what they make of each.
    """

    factors: Floats
    untold: Floats
    weight: Floats

    @property
    def least_feed(self) -> float:
        """Factor on the loss of bottle with hose below which hardly any bench is.

        Other benches tell what is lost at most: a dead bridge stays as suspect as it was.
        """
        return float(np.quantile(self.untold[:, 0], _HARDLY))

    def shown(self, draws: int) -> tuple[Floats, Floats]:
        """(n, 2) so many of the benches drawn, and (n,) how much each counts, together 1.

        The same benches whatever others have told: only their weights are other ones.
        """
        every = slice(None, None, max(len(self.untold) // draws, 1))
        weight = self.weight[every]
        return self.untold[every], weight / weight.sum()

    def band_g(self, feed_g: Floats, bowls_g: Floats) -> Floats:
        """(3, n) grams of parts (n,) at 2.5, 50 and 97.5 % of the draws."""
        shown = self.factors[:: max(len(self.factors) // _SHOWN, 1)]
        losses = np.outer(feed_g, shown[:, 0]) + np.outer(bowls_g, shown[:, 1])
        return np.asarray(np.quantile(losses, (0.025, 0.5, 0.975), axis=1))


@dataclass(frozen=True, slots=True)
class Slices:
    """Normal distributions of the factors less 1: weights (K,), means (K, 2), (K, 2, 2)."""

    weight: Floats
    mean: Floats
    cov: Floats


def spread_of(settings: Settings) -> Spread:
    """What the beliefs of a bench say."""
    rates, priors = settings.reference, settings.priors
    feed, bowls = _parts(settings)
    share = float(rates.bottle / max(float(rates.bottle + rates.hose), 1e-12))
    draws = _sampled(replace(priors, fleet=FleetPrior()), share)
    if not priors.fleet.keeps:
        return Spread(draws, draws, np.ones(len(draws)))
    ratios = draws @ np.array([feed, bowls]) / max(feed + bowls, 1e-12)
    weight = thinned(ratios, _wrong(priors), priors.fleet)
    return Spread(_redrawn(draws, weight), draws, weight)


def slices_of(settings: Settings) -> Slices:
    """The same, as the mass filter takes it.

    What other benches have told changes how much each slice weighs, and none's place: cut anew, the
    lowest would come to lie elsewhere, and with them what a loss leaves for a leak.
    """
    parts, spread = _parts(settings), spread_of(settings)
    order = np.argsort(spread.untold @ parts)
    ordered = np.column_stack((spread.untold - 1.0, spread.weight))[order]
    cuts = (np.array(_EDGES) * len(ordered)).round().astype(int)
    pieces = [piece for a, b in pairwise(cuts.tolist()) for piece in _by_share(ordered[a:b], parts)]
    floor = _LEAST_VARIANCE * np.eye(PARTS)
    return Slices(
        np.array([piece[:, PARTS].sum() for piece in pieces]) / spread.weight.sum(),
        np.array([piece[:, :PARTS].mean(axis=0) for piece in pieces]),
        np.array([_narrow(piece[:, :PARTS], parts) + floor for piece in pieces]),
    )


def _parts(settings: Settings) -> list[float]:
    """What bottle with hose and the bowls should lose at `REFERENCE_C`, g/h."""
    rates = settings.reference
    feed_scale, bowls_scale = settings.priors.scales
    return [feed_scale * float(rates.bottle + rates.hose), bowls_scale * float(rates.bowls)]


def _narrow(piece: Floats, parts: list[float]) -> Floats:
    """(2, 2) covariance of a slice, no wider than that nothing in it takes fuel in."""
    mean, cov = 1 + piece.mean(axis=0), np.cov(piece.T)
    shrunk = np.minimum(1.0, mean / _SDS_ABOVE_NONE / np.sqrt(np.diag(cov)))
    cov = cov * np.outer(shrunk, shrunk)
    all_sd = math.sqrt(parts @ cov @ parts)
    return np.asarray(cov * min(1.0, mean @ parts / _ALL_SDS_ABOVE_NONE / all_sd) ** 2)


def _by_share(piece: Floats, parts: list[float]) -> list[Floats]:
    """A slice in so many of different shares of the bowls: a normal of both would go below none."""
    losses = (1 + piece[:, :PARTS]) * parts
    return np.array_split(piece[np.argsort(losses[:, 1] / losses.sum(axis=1))], _SHARES)


def _wrong(priors: Priors) -> NDArray[np.bool_]:
    """(S,) of which draws the expectation is wrong by a factor."""
    return np.arange(_DRAWS) < priors.doubted * _DRAWS


@lru_cache(maxsize=64)
def _sampled(priors: Priors, bottle_share: float) -> Floats:
    """(S, 2) factors of bottle with hose (bottle_share of it the bottle) and of the bowls."""
    rng = np.random.default_rng(1)
    z = rng.standard_normal((_DRAWS, 5)) * priors.past.narrows
    vapour = priors.vapour_rel_sd * z[:, 0]
    bowls = vapour + priors.bowls_rel_sd * z[:, 2]
    if priors.blank_scale:
        feed = np.exp(priors.blank_rel_sd * z[:, 1])
        bowls = priors.rel_sds[1] / priors.past.narrows * z[:, 2]
    else:
        bottle = np.exp(vapour + priors.bottle_rel_sd * z[:, 1])
        hose = np.exp(priors.hose_rel_sd * z[:, 3])
        hose[rng.random(_DRAWS) < priors.low_hose] *= _LOW_HOSE
        feed = bottle_share * bottle + (1 - bottle_share) * hose
    off = np.where(_wrong(priors), np.exp(WRONG_LOG_SD * rng.standard_normal(_DRAWS)), 1.0)
    feed_off = 1.0 if priors.blank_scale else off
    return np.column_stack((feed * feed_off, np.exp(bowls) * off))


def _redrawn(draws: Floats, weights: Floats) -> Floats:
    """As many draws as before, each as often as its weight says (systematic resampling)."""
    shares = np.cumsum(weights) / weights.sum()
    at = (np.arange(len(draws)) + 0.5) / len(draws)
    return np.asarray(draws[np.searchsorted(shares, at)])
