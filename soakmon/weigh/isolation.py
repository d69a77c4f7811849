"""Feed-off isolation: which drops go on when the feed is shut, and what that says.

Past a needle fuel comes only while there is feed: such drops stop within about two minutes. A
joint of a bowl goes on from the bowl's own content. A rail joint stops when the rail has drained,
a cracked overflow tube when the level is below the crack. Counts are Poisson: the standard
uncertainty of n drops is the root of n (of 1 for none).

Silence tells only when an unchanged leak would hardly have been silent: n drops in the time T
before and none in the time t since have the probability (T / (T + t))^n if nothing has changed
(two Poisson counts compared by their sum: Przyborowski and Wilenski, Biometrika 31, 1940; from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from soakmon.texts import say
from soakmon.weigh.uncertainty import Measured, difference, scaled

# Fuel between needle and lip runs off for about so long; workshop judgement, no source.
STOPS_WITHIN_MIN = 2.0
_GOES_ON_SHARE = 0.5
# So improbable must a silence, or a stray count, be before it says something.
_CHANCE = 0.05


class Way(StrEnum):
    """What the drops of a carb do when the feed is shut."""

    DRY = "dry"
    STOPS = "stops"
    GOES_ON = say("isolation.goes_on")
    FADES = "fades"
    UNTOLD = say("isolation.not_told_yet")


WORDS = {
    Way.DRY: say("judge.no_drops"),
    Way.STOPS: say("isolation.stops_feed_past_needle_seat"),
    Way.GOES_ON: say("isolation.goes_on_from_bowl_bowl"),
    Way.FADES: say("isolation.fades_out_rail_joint_drains"),
    Way.UNTOLD: say("isolation.not_told_yet_unchanged_leak"),
}


@dataclass(frozen=True, slots=True)
class Isolated:
    """One carb: drops per hour with the feed open and shut, and what became of them.

    needed_min: how long after shutting the feed silence would tell; None when no time does.
    """

    carb: int
    open_per_h: Measured
    shut_per_h: Measured
    way: Way
    needed_min: float | None = None


@dataclass(frozen=True, slots=True)
class Watched:
    """How long was counted, min, with the feed open and shut; dark_per_h: counts of a dry gate."""

    before_min: float
    after_min: float
    dark_per_h: float = 0.0


def isolated(
    carb: int, before: float, after: float, watched: Watched, *, last_drop_min: float | None
) -> Isolated:
    """Judge one carb. before, after: drops counted; last_drop_min: of the last after shutting.

    Raises ValueError when nothing was counted long enough, or the last drop fell after the count.
    """
    before_min, after_min = watched.before_min, watched.after_min
    if before_min <= 0 or after_min <= STOPS_WITHIN_MIN:
        raise ValueError(
            say("isolation.count_more_than_min_after", stops_within_min=f"{STOPS_WITHIN_MIN:g}")
        )
    if after and (last_drop_min is None or not 0 <= last_drop_min <= after_min):
        raise ValueError(say("isolation.carb_when_did_last_drop", carb=carb))
    opened, shut = _rate(before, before_min), _rate(after, after_min)
    dark = watched.dark_per_h * (before_min + after_min) / 60
    # What a dry gate counts by itself accuses nobody.
    if _at_least(before + after, dark) >= _CHANCE:
        return Isolated(carb, opened, shut, Way.DRY)
    if after and last_drop_min is not None and last_drop_min > STOPS_WITHIN_MIN:
        return Isolated(carb, opened, shut, _going_on(opened, shut))
    silent = (before_min / (before_min + after_min - STOPS_WITHIN_MIN)) ** before
    way = Way.STOPS if silent < _CHANCE else Way.UNTOLD
    return Isolated(carb, opened, shut, way, _needed_min(before, before_min))


def _needed_min(before: float, before_min: float) -> float | None:
    if before < 1:
        return None
    return STOPS_WITHIN_MIN + before_min * (math.pow(_CHANCE, -1.0 / before) - 1.0)


def _at_least(count: float, expected: float) -> float:
    """The probability of so many counts or more, of a Poisson number with that mean."""
    below = (expected**k / math.factorial(k) for k in range(min(math.ceil(count), 100)))
    return 1.0 - math.exp(-expected) * math.fsum(below)


def _rate(drops: float, minutes: float) -> Measured:
    return scaled(60.0 / minutes, Measured(drops, math.sqrt(max(drops, 1.0))))


def _going_on(opened: Measured, shut: Measured) -> Way:
    missing = difference(scaled(_GOES_ON_SHARE, opened), shut)
    # Called fading only when the rate has fallen by more than its uncertainty explains.
    return Way.FADES if missing.value > missing.expanded else Way.GOES_ON
