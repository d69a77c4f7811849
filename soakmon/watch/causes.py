"""Ranks what can be behind a leak, from how it showed.

Each cause starts with prior odds (a job record may shift them) and is multiplied by how well it
explains the evidence: where drops fell, how long after the fill, how fast, whether mass was lost
before drops fell, and what happened while the feed was shut. The odds are workshop judgement:
common practice, no source, except that a cracked overflow tube is the commonest by one rebuilder's
account.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from soakmon.watch import decay, sips
from soakmon.watch.verdict import Cause, Suspect

PRIOR_ODDS: dict[Cause, float] = {
    Cause.NEEDLE_STUCK_OPEN: 1.0,
    Cause.NEEDLE_WEEP: 1.0,
    Cause.OVERFLOW_TUBE_CRACK: 1.2,
    Cause.BOWL_JOINT_WEEP: 1.0,
    Cause.RAIL_JOINT_WEEP: 0.5,
    Cause.BENCH_PLUMBING_LEAK: 0.5,
}
_SEEN_BY_GATE = (
    Cause.NEEDLE_STUCK_OPEN,
    Cause.NEEDLE_WEEP,
    Cause.OVERFLOW_TUBE_CRACK,
    Cause.BOWL_JOINT_WEEP,
    Cause.RAIL_JOINT_WEEP,
)
_UNSEEN = (Cause.RAIL_JOINT_WEEP, Cause.BENCH_PLUMBING_LEAK, Cause.NEEDLE_WEEP)


# Chance of a leak of each cause to show at once, within two hours, or later.
_EARLY = {
    Cause.NEEDLE_STUCK_OPEN: 1.0,
    Cause.NEEDLE_WEEP: 0.15,
    Cause.OVERFLOW_TUBE_CRACK: 0.9,
    Cause.BOWL_JOINT_WEEP: 0.4,
    Cause.RAIL_JOINT_WEEP: 0.7,
}
_LATER = {
    Cause.NEEDLE_STUCK_OPEN: 0.1,
    Cause.NEEDLE_WEEP: 0.4,
    Cause.OVERFLOW_TUBE_CRACK: 0.15,
    Cause.BOWL_JOINT_WEEP: 0.2,
    Cause.RAIL_JOINT_WEEP: 0.12,
}
_LATE = {
    Cause.NEEDLE_STUCK_OPEN: 0.05,
    Cause.NEEDLE_WEEP: 0.8,
    Cause.OVERFLOW_TUBE_CRACK: 0.03,
    Cause.BOWL_JOINT_WEEP: 0.6,
    Cause.RAIL_JOINT_WEEP: 0.25,
}
# What fills a bowl from its shut-off to the lip, at least and at most, and the least weep that does
# so within half a night (judgement, for bowls of common size).
_RISE_G, _FULL_G, _FILLS_G_PER_H = 4.0, 7.0, 0.4
_SEEPS_G_PER_H, _POURS_G_PER_H = 0.2, 20.0
_MOST_G_PER_H = {Cause.OVERFLOW_TUBE_CRACK: 20.0}
# Share of a leak that falls into the gate under it: all of it, but fuel from the rail runs down
# where it likes (judgement). A drop's mass is known to some percent, what dries is not.
_CAUGHT, _CAUGHT_OF_RAIL = np.ones(1), np.linspace(0.3, 1.0, 15)
_DROP_REL_SD, _DRIES_G_PER_H = 0.12, 0.06
# A crack under the level that the needle keeps is fed as long as the bottle feeds: it cannot stop,
# but its drops may find another way down (judgement).
_CRACK_STOPS = 0.03


@dataclass(frozen=True, slots=True)
class Evidence:
    """How a leak showed at one carb (None: at no gate).

    weight: probability that there is a leak here at all, relative to other places; delay_h: from
    the end of the fill until it leaked; mass_led: mass was being lost well before drops fell;
    caught, caught_sd: what dripped into the gate over what the mass lost, and how well that is
    known; shut: what drops did once the feed was shut (None: never shut); lost_while_shut: the
    bottle went on losing fuel with the feed shut; drip: how the drip rate went while it was open
    (None: not known); lost_g: what has leaked so far; shift: factors on the prior odds, from the
    job record; ended: it stopped by itself while it was fed.
    """

    carb: int | None
    weight: float
    rate_g_per_h: float
    delay_h: float
    mass_led: bool
    caught: float = 1.0
    caught_sd: float = math.inf
    shut: decay.Shut | None = None
    lost_while_shut: bool = False
    drip: sips.Drip | None = None
    lost_g: float = math.inf
    shift: Mapping[Cause, float] = field(default_factory=dict)
    ended: bool = False


def likelihood(cause: Cause, seen: Evidence) -> float:
    """How well a cause explains the evidence, relative to the others."""
    if seen.carb is None:
        return _unseen(cause, seen)
    value = _by_rate(cause, seen.rate_g_per_h) * _by_delay(cause, seen.delay_h)
    if cause is Cause.NEEDLE_WEEP:
        value *= _by_rise(seen)
    elif seen.mass_led:
        value *= 0.4
    if seen.ended and cause is Cause.OVERFLOW_TUBE_CRACK:
        value *= _CRACK_STOPS
    value *= _by_straying(cause, seen)
    if seen.drip is not None:
        value *= sips.likelihood(cause, seen.drip)
    if seen.shut is not None:
        value *= decay.likelihood(cause, seen.shut)
    return value


def _by_straying(cause: Cause, seen: Evidence) -> float:
    """How well the share of the leak that the gate caught fits where it comes from."""
    dries = _DRIES_G_PER_H / max(seen.rate_g_per_h, 1e-6)
    sd = min(math.hypot(seen.caught_sd, _DROP_REL_SD, dries), 1e3)
    caught = _CAUGHT_OF_RAIL if cause is Cause.RAIL_JOINT_WEEP else _CAUGHT
    return float(np.exp(-0.5 * ((min(seen.caught, 1.0) - caught) / sd) ** 2).mean()) + 1e-3


def _by_rise(seen: Evidence) -> float:
    """A weeping needle first has to raise the level to the lip, 4 to 6 g that the mass shows."""
    if seen.mass_led:
        return 4.0
    enough = seen.rate_g_per_h * seen.delay_h > _RISE_G / 2
    return 0.3 if enough and seen.delay_h < 2 else 0.08


def _by_rate(cause: Cause, rate_g_per_h: float) -> float:
    """A split runs, what only seeps is sooner a joint; what pours is a needle."""
    if cause is Cause.NEEDLE_STUCK_OPEN:
        return 1 / (1 + (_POURS_G_PER_H / max(rate_g_per_h, 1e-6)) ** 4)
    seeps = cause is Cause.OVERFLOW_TUBE_CRACK and rate_g_per_h < _SEEPS_G_PER_H
    return (0.35 if seeps else 1.0) / (1 + (rate_g_per_h / _MOST_G_PER_H.get(cause, 10.0)) ** 2)


def _by_delay(cause: Cause, delay_h: float) -> float:
    """A crack leaks as soon as the level is up, a seal may soften first, a weep shows when full."""
    if delay_h < 0.75:
        return _EARLY[cause]
    return (_LATER if delay_h < 2.0 else _LATE)[cause]


def _unseen(cause: Cause, seen: Evidence) -> float:
    if cause not in _UNSEEN:
        return 0.01
    if cause is Cause.BENCH_PLUMBING_LEAK:
        return 20.0 if seen.lost_while_shut else 1.0
    if cause is Cause.NEEDLE_WEEP:
        # A needle that weeps without dripping only fills its bowl: a few grams, then it drips.
        slow = 0.2 if seen.rate_g_per_h < _FILLS_G_PER_H else 1.0
        return slow if seen.lost_g < _FULL_G else 0.02
    return 0.05 if seen.lost_while_shut else 0.5


def rank(
    places: list[Evidence], no_leak: float, *, bowls_short: int, carbs: int
) -> tuple[Suspect, ...]:
    """Suspects, likeliest first; probabilities sum to 1 and add up over the places by weight.

    no_leak: probability that nothing leaks; bowls_short: bowls that did not fill.
    """
    chance: dict[tuple[Cause, int | None], float] = {(Cause.NO_LEAK, None): max(no_leak, 0.0)}
    for seen in places:
        causes = _SEEN_BY_GATE if seen.carb is not None else _UNSEEN
        odds = {
            cause: PRIOR_ODDS[cause] * seen.shift.get(cause, 1.0) * likelihood(cause, seen)
            for cause in causes
        }
        total = sum(odds.values())
        for cause, value in odds.items():
            key = (cause, seen.carb)
            chance[key] = chance.get(key, 0.0) + seen.weight * value / total
    if bowls_short:
        _share_with_stuck_shut(chance, carbs)
    total = sum(chance.values()) or 1.0
    kept = [(key, value / total) for key, value in chance.items() if value / total >= 5e-4]
    kept.sort(key=lambda item: -item[1])
    return _rounded(kept)


def _share_with_stuck_shut(chance: dict[tuple[Cause, int | None], float], carbs: int) -> None:
    """Nine tenths of `no leak` go to a needle stuck shut, evenly over the carbs: mass alone
    cannot tell which bowl stayed dry.
    """
    share = 0.9 * chance[Cause.NO_LEAK, None]
    chance[Cause.NO_LEAK, None] -= share
    for carb in range(1, carbs + 1):
        chance[Cause.NEEDLE_STUCK_SHUT, carb] = share / carbs


def _rounded(kept: list[tuple[tuple[Cause, int | None], float]]) -> tuple[Suspect, ...]:
    """Round to four digits so that the probabilities still sum to exactly 1."""
    rounded = [round(value, 4) for _, value in kept]
    rounded[0] = round(rounded[0] + 1.0 - sum(rounded), 4)
    return tuple(
        Suspect(cause, carb, p) for ((cause, carb), _), p in zip(kept, rounded, strict=True)
    )
