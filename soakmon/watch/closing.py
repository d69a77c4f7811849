"""The closing layer: estimate and interval of the leak, and the smallest this run could prove."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD, DRIES_G_PER_H
from soakmon.watch.balance import RATES, log_weight_since
from soakmon.watch.normal import NORMAL_95, below, nearly_below
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.spread import PARTS
from soakmon.watch.verdict import Band
from soakmon.watch.weep import LEAKS, RATE_PRIOR, Weep

# A leak that is said to be provable is found so often.
_DETECTION = judgement(0.95, "chance")
# Onsets that the closing test looks at: the start, and four hours apart. What begins late is told
# by the shape of the record alone, in which cell and weather have their hand: it gets the smaller
# share of the level.
_ONSETS_APART = effort(16, "onsets")
_LEVEL_SHARES = judgement((2 / 3, 1 / 6, 1 / 6), "share")
# The printed bound; how finely it is sought, and how little of a weight is left out.
_BOUND = judgement(0.95, "chance")
_HALVINGS = effort(20, "steps")
_NEGLIGIBLE = effort(1e-9, "weight")
# Belief before the run: most rebuilt racks are tight; a leak that no gate sees is the rarer one.
_NO_LEAK = judgement(0.8, "weight")
_UNSEEN = judgement(0.08, "weight")
_SEEN = judgement(0.12, "weight")
# How far the mean of a leak is from that of a steady one, which counts tell and the mass supposes:
# rates follow temperature and head, jump, and pause.
_COUNTED_REL_SD = judgement(0.06, "rel. sd")
_WEIGHED_REL_SD = judgement(0.1, "rel. sd")
# Gates that lose drops, and what share of them: up to 45 % was seen.
_LOSES = judgement(0.4, "chance")
_LOST: Floats = effort(np.linspace(0.0, 0.45, 10), "share")
# So many sd off, the drops of a leak of any size say nothing any more.
_FAR = effort(8.0, "sd")
# Drops of any leak at least as large as what they say: the gate sees a part of it (judgement).
_MISSED = judgement(0.005, "chance")
# What dries before it drips is mostly a share of the leak, as a small leak wets little; where the
# whole tip hangs in the open it is as much as a drop loses there, whatever leaks (judgement).
_DRIES_SHARE = judgement(0.12, "share")
_IN_THE_OPEN = judgement(0.8, "chance")
_DRIED_G_PER_H: Floats = effort(np.linspace(0.0, 0.6, 121), "g/h")
_DRIES_LOG_SD = judgement(0.6, "log. sd")
_DRIED_SHARE: Floats = effort(np.linspace(0.0, 0.6, 25), "share")
_DRIED_WEIGHT: Floats = np.exp(
    -0.5 * (np.log(np.maximum(_DRIED_G_PER_H, 1e-6) / DRIES_G_PER_H) / _DRIES_LOG_SD) ** 2
)
_DRIED_WEIGHT /= _DRIED_WEIGHT.sum()
_SHARE_WEIGHT: Floats = np.exp(-_DRIED_SHARE / _DRIES_SHARE)
_SHARE_WEIGHT /= _SHARE_WEIGHT.sum()
_LOST_WEIGHT: Floats = np.where(_LOST == 0, 1 - _LOSES, _LOSES / (len(_LOST) - 1))
# In its first minutes the filter still learns the noise: the tail of what it says means nothing.
_TAIL_FROM_H = judgement(0.5, "h")


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is believed after the run.

    no_leak: probability; gates: (N,) probability of a leak under each gate (not exclusive of one
    another: relative to no leak); unseen: probability of a leak no gate sees; above: probability
    that the leak exceeds the criterion, with every leak and none given the same chance before.
    """

    no_leak: float
    unseen: float
    gates: tuple[float, ...]
    above: float
    leak: Band


def posterior(record: RunRecord, weep: Weep) -> Posterior:
    """Probabilities of the stories and of the leak's size."""
    criterion_g_per_h = record.settings.criterion_g_per_day / 24.0
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
    weights = [float(part.sum()) / total for part in parts]
    signed = _signed(weep, 0)
    none, under = signed.below(0.0), signed.below(criterion_g_per_h)
    above = (1 - under) / max(1 - none, 1e-12)
    leak = Band(0.0, 0.0, max(_bound(signed), _bound_by_balance(record, weep)))
    return Posterior(_NO_LEAK / total, weights[0], tuple(weights[1:]), above, leak)


def signed_leak(weep: Weep) -> tuple[float, float]:
    """Leak from the start that the mass alone says, g/h, of either sign, and its sd.

    No belief in a tight rack pulls it to zero: the estimate whose errors tell bias and spread.
    """
    signed = _signed(weep, 0)
    best = float(signed.weight @ signed.mean)
    return best, float(np.sqrt(signed.weight @ (signed.sd**2 + (signed.mean - best) ** 2)))


def chance_of_none(weep: Weep) -> float:
    """Probability, under the whole record and with any leak as likely as its negative, of no leak.

    The least over a few onsets, each over its share of the level. As a test at the end it is wrong
    no more often than its level says (a flat prior makes the tail a p-value).
    Nothing is known, and so it is 1, before the first readings have told of any onset.
    """
    tells = weep.filter.information[:, PARTS::_ONSETS_APART].all(axis=0)
    onsets = (_ONSETS_APART * np.flatnonzero(tells)).tolist()
    tails = [
        _signed(weep, onset).below(0.0) / share
        for onset, share in zip(onsets, _LEVEL_SHARES, strict=False)
    ]
    return min(1.0, *tails) if tails else 1.0


def tail(record: RunRecord, weep: Weep) -> float:
    """`chance_of_none` of the mass so far; 1 while it means nothing."""
    # Of the time that the bottle fed the rack, and its mass could tell.
    tells = record.mass_running and weep.exposure_h[0] > _TAIL_FROM_H
    return chance_of_none(weep) if tells else 1.0


def chance_of_losing(weep: Weep, grams: float) -> float:
    """Probability, with any leak as likely as its negative, that as much or more has leaked."""
    hours = max((weep.last_s - weep.start_s) / 3600, 1e-3)
    return 1.0 - _signed(weep, 0).below(grams / hours)


@dataclass(frozen=True, slots=True)
class _Signed:
    """A leak of either sign by filter: weight with the leak integrated out, mean and sd, g/h."""

    weight: Floats
    mean: Floats
    sd: Floats

    def below(self, leak_g_per_h: float) -> float:
        """Probability of less than leak_g_per_h."""
        return float(self.weight @ below((leak_g_per_h - self.mean) / self.sd))

    def quantile(self, share: float) -> float:
        """Leak (g/h) below which `share` of the probability lies."""
        # Each part's own leak below which so much of it lies: the whole's is among them.
        certain = min(max(share, _NEGLIGIBLE), 1 - _NEGLIGIBLE)
        each = self.mean + NormalDist().inv_cdf(certain) * self.sd
        low, high = float(each.min()), float(each.max())
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            short = self.weight @ nearly_below((middle - self.mean) / self.sd) < share
            low, high = (middle, high) if short else (low, middle)
        return (low + high) / 2


def _signed(weep: Weep, onset: int) -> _Signed:
    """What the mass says of a leak of either sign: no belief about it narrows the evaporation's."""
    judged = weep.filter.judged(slice(onset, onset + 1))
    sd = (judged.information[:, 0] + 1e-9) ** -0.5
    mean = judged.score[:, 0] * sd**2
    evidence = judged.log_weight + 0.5 * (mean / sd) ** 2 + np.log(sd)
    weight = np.exp(evidence - evidence.max())
    counts = weight > _NEGLIGIBLE * weight.max()
    return _Signed(weight[counts] / weight[counts].sum(), mean[counts], sd[counts])


def _bound(signed: _Signed) -> float:
    """Leak (g/h, from the start) that the mass allows, whatever was believed before.

    A loss that agrees with the expectation does not make the expectation any surer: every leak down
    to none is given the same chance, and what evaporates keeps its whole spread below the loss.
    """
    none = signed.below(0.0)
    return max(signed.quantile(none + _BOUND * (1 - none)), 0.0)


def _bound_by_balance(record: RunRecord, weep: Weep) -> float:
    """The same (g/h) by what was lost and the rack cannot have lost otherwise, of any shape.

    A leak that needles let through by sips, or that began later, looks like none to the filter.
    """
    by_rate = log_weight_since(record, weep, 0)
    # As likely before at every rate, of a grid that is even in its logarithm.
    weight = np.exp(by_rate - by_rate.max()) * RATES
    place = int(np.searchsorted(np.cumsum(weight), _BOUND * weight.sum()))
    return float(RATES[min(place, len(RATES) - 1)]) if weep.exposure_h[0] > 0 else 0.0


def leak_given_leaking(
    mass: Floats, drops: float = 0.0, hours: float = 0.0, drop_g: float = 0.0
) -> Band:
    """Estimate of a leak that is there, from mass and drops together, g/h.

    mass: (800,) log-weight of each of `RATES` by the mass (`balance`); drops: fallen in `hours`
    since the first, 0 for none seen.
    """
    weight = np.exp(mass - mass.max())
    counted = drops > 0 and hours > 0
    if counted:
        weight = weight * _by_drops(drops * drop_g / hours, drops)
    cumulative = np.cumsum(weight) / weight.sum()
    low, best, high = (
        float(RATES[min(int(np.searchsorted(cumulative, p)), len(RATES) - 1)])
        for p in (0.025, 0.5, 0.975)
    )
    own = NORMAL_95 * (_COUNTED_REL_SD if counted else _WEIGHED_REL_SD) * best
    return Band(
        best,
        max(best - float(np.hypot(best - low, own)), 0.0),
        best + float(np.hypot(high - best, own)),
    )


def _by_drops(said_g_per_h: float, drops: float) -> Floats:
    """Likelihood of the counted drops: a leak is what drips, and what dries before it drips.

    The gate may lose some of it, and some may miss it altogether.
    """
    spread = float(np.hypot(BETWEEN_LIPS_LOG_SD, drops**-0.5))
    # Of a leak much smaller, or larger by more than is lost or dries, nothing is left.
    most = said_g_per_h * math.exp(_FAR * spread)
    most = (most / (1 - _LOST[-1]) + _DRIED_G_PER_H[-1]) / (1 - _DRIED_SHARE[-1])
    first = int(np.searchsorted(RATES, said_g_per_h * math.exp(-_FAR * spread)))
    close = slice(first, max(int(np.searchsorted(RATES, most)), first + 1))

    def near(dripped: Floats, weight: Floats) -> Floats:
        chance = np.zeros(len(RATES))
        off = np.log(np.maximum(dripped, 1e-6) / said_g_per_h)[..., None] + np.log(1 - _LOST)
        chance[close] = np.exp(-0.5 * (off / spread) ** 2) @ _LOST_WEIGHT @ weight
        return chance

    rates = RATES[close, None]
    shared = near(rates * (1 - _DRIED_SHARE), _SHARE_WEIGHT)
    in_the_open = near(rates - _DRIED_G_PER_H, _DRIED_WEIGHT)
    missed = np.where(said_g_per_h <= RATES, _MISSED, 1e-9)
    return np.asarray((1 - _IN_THE_OPEN) * shared + _IN_THE_OPEN * in_the_open + missed)


def smallest_provable(weep: Weep, level: float) -> float:
    """Smallest leak (g/h, from the start, seen by no gate) that this run's mass could prove.

    level: of the closing test (`chance_of_none`). Found with 95 % probability, as leak detection is
    evaluated (EPA standard test procedures): what evaporates has then to be so much that only 5 %
    of benches lose less, and must not look like a bench of which there are fewer than the level.
    """
    signed = _signed(weep, 0)
    return signed.quantile(_DETECTION) - signed.quantile(level * _LEVEL_SHARES[0])
