"""The closing layer: estimate and interval of the leak, and the smallest this run could prove."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from soakmon.watch.normal import below
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Band
from soakmon.watch.weep import LEAKS, ONSETS, RATE_PRIOR, Weep

_DETECTION = 0.95
# Onsets that the closing test looks at: the start, and every four hours.
_ONSETS_APART, _CLOSING_ONSETS, _APART = 16, 3, 2
# Belief before the run: most rebuilt racks are tight; a leak that no gate sees is the rarer one.
_NO_LEAK, _UNSEEN, _SEEN = 0.8, 0.08, 0.12
_FINE: Floats = np.asarray(0.002 * 2 ** (np.arange(800) / 40))
_DROP_REL_SD = 0.15
_RATE_REL_SD = 0.03
_DRIED_G_PER_H: Floats = np.linspace(0.0, 0.3, 61)
_DRIED_WEIGHT: Floats = np.exp(-_DRIED_G_PER_H / 0.08) / np.exp(-_DRIED_G_PER_H / 0.08).sum()


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is believed after the run.

    no_leak: probability; gates: (N,) probability of a leak under each gate (not exclusive of one
    another: relative to no leak); unseen: probability of a leak no gate sees; above: probability
    that the leak exceeds the criterion.
    """

    no_leak: float
    unseen: float
    gates: tuple[float, ...]
    above: float
    leak: Band


def posterior(weep: Weep, criterion_g_per_h: float) -> Posterior:
    """Probabilities of the stories and of the leak's size."""
    mass = weep.mass_log_ratio()
    unseen = mass + np.log(weep.onset_prior())[:, None] + np.log(RATE_PRIOR)
    parts = [np.exp(np.clip(unseen, -700, 600)).sum(axis=0) * _UNSEEN]
    for index in range(len(weep.gates)):
        ratio, joint, _ = weep.under_gate(index, mass)
        share = _SEEN / len(weep.gates)
        by_rate = np.exp(np.clip(joint, -700, 600)).sum(axis=0) if len(joint) else 0 * LEAKS
        parts.append(share * (by_rate if ratio != 0.0 else 0 * LEAKS))
    by_rate = np.sum(parts, axis=0)
    total = _NO_LEAK + float(by_rate.sum())
    above = float(by_rate[criterion_g_per_h < LEAKS].sum()) / total
    weights = [float(part.sum()) / total for part in parts]
    return Posterior(_NO_LEAK / total, weights[0], tuple(weights[1:]), above, _bound(weep))


def signed_leak(weep: Weep) -> tuple[float, float]:
    """Leak from the start that the mass alone says, g/h, of either sign, and its sd.

    No belief in a tight rack pulls it to zero: the estimate whose errors tell bias and spread.
    """
    weight, mean, sd = _signed(weep, 0)
    best = float(weight @ mean)
    return best, float(np.sqrt(weight @ (sd**2 + (mean - best) ** 2)))


def chance_of_none(weep: Weep) -> float:
    """Probability, under the whole record and with any leak as likely as its negative, of no leak.

    The least over a few onsets, of which most is the same record: counted as two. As a test at the
    end it is wrong no more often than its level says (a flat prior makes the tail a p-value).
    """
    onsets = [j for j in range(0, ONSETS, _ONSETS_APART) if weep.filter.information[:, j].all()]
    tails = []
    for onset in onsets[:_CLOSING_ONSETS]:
        weight, mean, sd = _signed(weep, onset)
        tails.append(float(weight @ below(-mean / sd)))
    return min(1.0, min(len(tails), _APART) * min(tails, default=1.0))


def chance_of_losing(weep: Weep, grams: float) -> float:
    """Probability, with any leak as likely as its negative, that as much or more has leaked."""
    hours = max((weep.last_s - weep.start_s) / 3600, 1e-3)
    weight, mean, sd = _signed(weep, 0)
    return float(weight @ below((mean - grams / hours) / sd))


def _signed(weep: Weep, onset: int) -> tuple[Floats, Floats, Floats]:
    """Per filter: weight with its own leak integrated out, mean and sd (g/h) of a leak."""
    _, mean, sd = weep.filter.leak_by_filter(onset)
    evidence = weep.filter.log_weight + 0.5 * (mean / sd) ** 2 + np.log(sd)
    weight = np.exp(evidence - evidence.max())
    return weight / weight.sum(), mean, sd


def _bound(weep: Weep) -> Band:
    """Leak (g/h, from the start) that the mass allows, whatever was believed before."""
    weight, mean, sd = weep.filter.leak_by_filter(0)
    top = max(float((np.maximum(mean, 0.0) + 5 * sd)[weight > 1e-4].max()), 1e-3)
    leak = np.linspace(0.0, top, 4001)
    density = (weight / sd) @ np.exp(-0.5 * ((leak - mean[:, None]) / sd[:, None]) ** 2)
    cumulative = np.cumsum(density) / density.sum()
    return Band(0.0, 0.0, float(leak[int(np.searchsorted(cumulative, 0.95))]))


def leak_given_leaking(weep: Weep, onset: int, drops: float, hours: float, drop_g: float) -> Band:
    """Estimate of a leak that is there, from mass and drops together, g/h.

    onset: index of its onset; drops: fallen in `hours` since the first, 0 for none seen.
    """
    mass = weep.filter.log_ratio(_FINE, slice(onset, onset + 1))[0]
    weight = np.exp(mass - mass.max())
    if drops > 0 and hours > 0:
        weight = weight * _by_drops(drops * drop_g / hours, drops)
    cumulative = np.cumsum(weight) / weight.sum()
    low, best, high = (
        float(_FINE[min(int(np.searchsorted(cumulative, p)), len(_FINE) - 1)])
        for p in (0.025, 0.5, 0.975)
    )
    # The cell's gain and a rate that follows temperature and head add a few percent of their own.
    own = 1.96 * _RATE_REL_SD * best
    return Band(
        best,
        max(best - float(np.hypot(best - low, own)), 0.0),
        best + float(np.hypot(high - best, own)),
    )


def _by_drops(said_g_per_h: float, drops: float) -> Floats:
    """Likelihood of the counted drops: a leak is what drips, and what dries before it drips.

    Some of it may also miss the gate; a wet patch dries about a tenth of a gram an hour.
    """
    spread = float(np.hypot(_DROP_REL_SD, drops**-0.5))
    lost = np.maximum(_FINE[:, None] - _DRIED_G_PER_H[None, :], 1e-6)
    near = np.exp(-0.5 * (np.log(lost / said_g_per_h) / spread) ** 2)
    missed = np.where(said_g_per_h <= _FINE, 0.005, 1e-9)
    return np.asarray(near @ _DRIED_WEIGHT + missed)


def smallest_provable(weep: Weep, onset: int = 0, leak_g_per_h: float = 0.0) -> float:
    """Smallest leak (g/h, from the start, seen by no gate) that this run's mass could prove.

    As leak detection is evaluated: found with 95 % probability at 5 % false alarms (EPA standard
    test procedures), from the run's own noise, drift, temperature and evaporation uncertainty. Of
    a run that leaks, what it could have proven without: its noise is judged with the leak known.
    """
    _, _, sd = weep.filter.leak_by_filter(0)
    weight = weep.filter.weights_given(onset, leak_g_per_h)
    return 2 * NormalDist().inv_cdf(_DETECTION) * float(np.sqrt(weight @ sd**2))
