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

from soakmon.physics.belief import judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD, DRIES_G_PER_H
from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import Bowl
from soakmon.watch import decay, sips
from soakmon.watch.needles import rise_g
from soakmon.watch.verdict import Cause, Suspect

# Before anything is seen, as the docstring says.
PRIOR_ODDS: dict[Cause, float] = judgement(
    {
        Cause.NEEDLE_STUCK_OPEN: 1.0,
        Cause.NEEDLE_WEEP: 1.0,
        Cause.OVERFLOW_TUBE_CRACK: 1.2,
        Cause.BOWL_JOINT_WEEP: 1.0,
        Cause.RAIL_JOINT_WEEP: 0.5,
        Cause.BENCH_PLUMBING_LEAK: 0.5,
    },
    "odds",
)
_SEEN_BY_GATE = (
    Cause.NEEDLE_STUCK_OPEN,
    Cause.NEEDLE_WEEP,
    Cause.OVERFLOW_TUBE_CRACK,
    Cause.BOWL_JOINT_WEEP,
    Cause.RAIL_JOINT_WEEP,
)
_UNSEEN = (Cause.RAIL_JOINT_WEEP, Cause.BENCH_PLUMBING_LEAK, Cause.NEEDLE_WEEP)


# Chance of a leak of each cause to show at once, within two hours, or later (judgement).
_AT_ONCE_H = judgement(0.75, "h")
_SOON_H = judgement(2.0, "h")
_EARLY = judgement(
    {
        Cause.NEEDLE_STUCK_OPEN: 1.0,
        Cause.NEEDLE_WEEP: 0.15,
        Cause.OVERFLOW_TUBE_CRACK: 0.9,
        Cause.BOWL_JOINT_WEEP: 0.4,
        Cause.RAIL_JOINT_WEEP: 0.7,
    },
    "chance",
)
_LATER = judgement(
    {
        Cause.NEEDLE_STUCK_OPEN: 0.1,
        Cause.NEEDLE_WEEP: 0.4,
        Cause.OVERFLOW_TUBE_CRACK: 0.15,
        Cause.BOWL_JOINT_WEEP: 0.2,
        Cause.RAIL_JOINT_WEEP: 0.12,
    },
    "chance",
)
_LATE = judgement(
    {
        Cause.NEEDLE_STUCK_OPEN: 0.05,
        Cause.NEEDLE_WEEP: 0.8,
        Cause.OVERFLOW_TUBE_CRACK: 0.03,
        Cause.BOWL_JOINT_WEEP: 0.6,
        Cause.RAIL_JOINT_WEEP: 0.25,
    },
    "chance",
)
# Of what lifts the level to the lip as the bowl is described: from here on the mass shows that it
# rose, and beyond that it would have dripped. And the least weep that lifts it within half a night
# (judgement).
RISES = judgement(0.4, "share")
_OVERFULL = judgement(1.3, "times")
_USUAL_RISE_G = rise_g(Bowl(), FUELS["petrol_a"])
_FILLS_G_PER_H = judgement(0.4, "g/h")
# How likely such a weep is whose rise the mass has shown, has had no time to show, or has not shown
# (over other causes, of which one leaks without a rise); and another whose mass has shown one.
_ROSE = judgement(4.0, "odds")
_NO_TIME_TO_RISE = judgement(0.3, "odds")
_NO_RISE = judgement(0.08, "odds")
_ROSE_OTHERWISE = judgement(0.4, "odds")
# A split runs: it is rarer below the first of these. What pours is a needle, what runs is hardly a
# joint (judgement).
_SEEPS_G_PER_H = judgement(0.2, "g/h")
_SPLIT_SEEPS = judgement(0.35, "odds")
_POURS_G_PER_H = judgement(20.0, "g/h")
_OTHERS_G_PER_H = judgement(10.0, "g/h")
# Of a leak that no gate sees (judgement): a needle whose bowl has had more than it takes, or so
# slow; plumbing that loses with the feed shut, beside a joint of the rail that does, or does not.
_UNSEEN_OVERFULL = judgement(0.02, "odds")
_UNSEEN_SLOW = judgement(0.2, "odds")
_PLUMBING_SHUT = judgement(20.0, "odds")
_RAIL_SHUT = judgement(0.05, "odds")
_RAIL_OPEN = judgement(0.5, "odds")
# Share of a leak that falls into the gate under it: all of it, but fuel from the rail runs down
# where it likes (judgement). What dries is hardly known, and a drop's mass from lip to lip.
_LEAST_OF_RAIL = judgement(0.3, "share")
_CAUGHT, _CAUGHT_OF_RAIL = np.ones(1), np.linspace(_LEAST_OF_RAIL, 1.0, 15)
# A crack under the level that the needle keeps is fed as long as the bottle feeds: it cannot stop,
# but its drops may find another way down (judgement).
_CRACK_STOPS = judgement(0.03, "odds")
# A fill that is short leaves so much of `no leak` to a needle stuck shut (judgement).
_STUCK_SHUT = judgement(0.9, "chance")
# Less likely suspects are not told; and a gate may have caught anything, hardly ever (judgement).
_LISTED_FROM = judgement(5e-4, "chance")
_ANY_SHARE = judgement(1e-3, "chance")


@dataclass(frozen=True, slots=True)
class Evidence:
    """How a leak showed at one carb (None: at no gate).

    weight: probability that there is a leak here at all, relative to other places; delay_h: from
    the end of the fill until it leaked; mass_led: mass was being lost well before drops fell;
    caught, caught_sd: what dripped into the gate over what the mass lost, and how well that is
    known; shut: what drops did once the feed was shut (None: never shut); lost_while_shut: the
    bottle went on losing fuel with the feed shut; drip: how the drip rate went while it was open
    (None: not known); lost_g: what has leaked so far; rise_g: what lifts the level to the lip;
    shift: factors on the prior odds, from the job record; ended: it stopped by itself while it was
    fed.
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
    rise_g: float = _USUAL_RISE_G
    ended: bool = False


def likelihood(cause: Cause, seen: Evidence) -> float:
    """How well a cause explains the evidence, relative to the others."""
    if seen.carb is None:
        return _unseen(cause, seen)
    value = _by_rate(cause, seen.rate_g_per_h) * _by_delay(cause, seen.delay_h)
    if cause is Cause.NEEDLE_WEEP:
        value *= _by_rise(seen)
    elif seen.mass_led:
        value *= _ROSE_OTHERWISE
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
    dries = DRIES_G_PER_H / max(seen.rate_g_per_h, 1e-6)
    sd = min(math.hypot(seen.caught_sd, BETWEEN_LIPS_LOG_SD, dries), 1e3)
    caught = _CAUGHT_OF_RAIL if cause is Cause.RAIL_JOINT_WEEP else _CAUGHT
    return float(np.exp(-0.5 * ((min(seen.caught, 1.0) - caught) / sd) ** 2).mean()) + _ANY_SHARE


def _by_rise(seen: Evidence) -> float:
    """A weeping needle first has to raise the level to the lip, 4 to 6 g that the mass shows."""
    if seen.mass_led:
        return _ROSE
    enough = seen.rate_g_per_h * seen.delay_h > RISES * seen.rise_g
    return _NO_TIME_TO_RISE if enough and seen.delay_h < _SOON_H else _NO_RISE


def _by_rate(cause: Cause, rate_g_per_h: float) -> float:
    """A split runs, what only seeps is sooner a joint; what pours is a needle."""
    if cause is Cause.NEEDLE_STUCK_OPEN:
        return 1 / (1 + (_POURS_G_PER_H / max(rate_g_per_h, 1e-6)) ** 4)
    crack = cause is Cause.OVERFLOW_TUBE_CRACK
    seeps = crack and rate_g_per_h < _SEEPS_G_PER_H
    most = _POURS_G_PER_H if crack else _OTHERS_G_PER_H
    return (_SPLIT_SEEPS if seeps else 1.0) / (1 + (rate_g_per_h / most) ** 2)


def _by_delay(cause: Cause, delay_h: float) -> float:
    """A crack leaks as soon as the level is up, a seal may soften first, a weep shows when full."""
    if delay_h < _AT_ONCE_H:
        return _EARLY[cause]
    return (_LATER if delay_h < _SOON_H else _LATE)[cause]


def _unseen(cause: Cause, seen: Evidence) -> float:
    if cause is Cause.BENCH_PLUMBING_LEAK:
        return _PLUMBING_SHUT if seen.lost_while_shut else 1.0
    if cause is Cause.NEEDLE_WEEP:
        # A needle that weeps without dripping only fills its bowl: a few grams, then it drips.
        slow = _UNSEEN_SLOW if seen.rate_g_per_h < _FILLS_G_PER_H else 1.0
        return slow if seen.lost_g < _OVERFULL * seen.rise_g else _UNSEEN_OVERFULL
    return _RAIL_SHUT if seen.lost_while_shut else _RAIL_OPEN


def rank(places: list[Evidence], no_leak: float, *, bowls_short: int) -> tuple[Suspect, ...]:
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
        _share_with_stuck_shut(chance)
    total = sum(chance.values()) or 1.0
    likely = [
        (key, value / total) for key, value in chance.items() if value / total >= _LISTED_FROM
    ]
    likely.sort(key=lambda item: -item[1])
    return _rounded(likely)


def _share_with_stuck_shut(chance: dict[tuple[Cause, int | None], float]) -> None:
    """Nine tenths of `no leak` go to a needle stuck shut, of no carb: mass alone cannot tell which
    bowl stayed dry.
    """
    share = _STUCK_SHUT * chance[Cause.NO_LEAK, None]
    chance[Cause.NO_LEAK, None] -= share
    chance[Cause.NEEDLE_STUCK_SHUT, None] = share


def _rounded(likely: list[tuple[tuple[Cause, int | None], float]]) -> tuple[Suspect, ...]:
    """Round to four digits so that the probabilities still sum to exactly 1."""
    rounded = [round(value, 4) for _, value in likely]
    rounded[0] = round(rounded[0] + 1.0 - sum(rounded), 4)
    return tuple(
        Suspect(cause, carb, p) for ((cause, carb), _), p in zip(likely, rounded, strict=True)
    )
