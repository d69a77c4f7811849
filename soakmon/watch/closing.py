"""The closing layer: estimate and interval of the leak, and the smallest this run could prove."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Band
from soakmon.watch.weep import LEAKS, RATE_PRIOR, Weep

_DETECTION = 0.95
# Belief before the run: most rebuilt racks are tight; a leak that no gate sees is the rarer one.
_NO_LEAK, _UNSEEN, _SEEN = 0.8, 0.08, 0.12
_FINE: Floats = np.asarray(0.002 * 2 ** (np.arange(800) / 40))
_DROP_REL_SD = 0.2


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


def _bound(weep: Weep) -> Band:
    """Leak (g/h, from the start) that the mass allows, whatever was believed before."""
    weight, mean, sd = weep.filter.leak_by_filter(0)
    top = max(float((np.maximum(mean, 0.0) + 5 * sd)[weight > 1e-4].max()), 1e-3)
    leak = np.linspace(0.0, top, 4001)
    density = (weight / sd) @ np.exp(-0.5 * ((leak - mean[:, None]) / sd[:, None]) ** 2)
    cumulative = np.cumsum(density) / density.sum()
    return Band(0.0, 0.0, float(leak[int(np.searchsorted(cumulative, 0.95))]))


def leak_given_leaking(
    weep: Weep, onset: int, drops: float, hours: float, drop_g: float, *, carry: float = 0.15
) -> Band:
    """Estimate of a leak that is there, from mass and drops together, g/h.

    onset: index of its onset; drops: fallen in `hours` since the first, 0 for none seen; carry:
    chance that the gates do not see the whole leak.
    """
    mass = weep.filter.log_ratio(_FINE, slice(onset, onset + 1))[0]
    weight = np.exp(mass - mass.max())
    if drops > 0 and hours > 0:
        said = drops * drop_g / hours
        spread = float(np.hypot(_DROP_REL_SD, drops**-0.5))
        by_drops = np.exp(-0.5 * (np.log(_FINE / said) / spread) ** 2)
        more = np.where(said <= _FINE, 0.05, 1e-6)
        weight = weight * ((1 - carry) * by_drops + carry * more)
    cumulative = np.cumsum(weight) / weight.sum()
    low, best, high = (
        float(_FINE[min(int(np.searchsorted(cumulative, p)), len(_FINE) - 1)])
        for p in (0.025, 0.5, 0.975)
    )
    return Band(best, low, high)


def smallest_provable(weep: Weep) -> float:
    """Smallest leak (g/h, from the start, seen by no gate) that this run's mass could prove.

    As leak detection is evaluated: found with 95 % probability at 5 % false alarms (EPA standard
    test procedures), from the run's own noise, drift, temperature and evaporation uncertainty.
    """
    weight, _, sd = weep.filter.leak_by_filter(0)
    return 2 * NormalDist().inv_cdf(_DETECTION) * float(np.sqrt(weight @ sd**2))
