"""Feed-off isolation: which drops go on when the feed is shut, and what that says.

Past a needle fuel comes only while there is feed: such drops stop within about two minutes. A
joint of a bowl goes on from the bowl's own content. A rail joint stops when the rail has drained,
a cracked overflow tube when the level is below the crack. Counts are Poisson (`counts`).

Silence tells only when an unchanged leak would hardly have been silent: n drops in the time T
before and none in the time t since have the probability (T / (T + t))^n if nothing has changed
(two Poisson counts compared by their sum: Przyborowski and Wilenski, Biometrika 31, 1940; from
memory). A rate has faded by the same test: when half of it would have made so few drops too seldom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from soakmon.texts import say
from soakmon.weigh.counts import Rate, at_most_of, fewer, rate

# Fuel between needle and lip runs off for about so long; workshop judgement, no source.
STOPS_WITHIN_MIN = 2.0
_GOES_ON_SHARE = 0.5
# So improbable must a silence, or a stray count, be before it says something.
_CHANCE = 0.05
# So improbable must half of the rate be before the drops have faded (of both tails of 95 % one).
_FADED = 0.025


class DripCourse(StrEnum):
    """What the drops of a carb do when the feed is shut."""

    DRY = "dry"
    STOPS = "stops"
    GOES_ON = say("isolation.goes_on")
    FADES = "fades"
    UNTOLD = say("isolation.not_told_yet")


WORDS = {
    DripCourse.DRY: say("judge.no_drops"),
    DripCourse.STOPS: say("isolation.stops_feed_past_needle_seat"),
    DripCourse.GOES_ON: say("isolation.goes_on_from_bowl_bowl"),
    DripCourse.FADES: say("isolation.fades_out_rail_joint_drains"),
    DripCourse.UNTOLD: say("isolation.not_told_yet_unchanged_leak"),
}


@dataclass(frozen=True, slots=True)
class Isolated:
    """One carb: drops per hour with the feed open and shut, and what became of them.

    needed_min: how long after shutting the feed silence would tell; None when no time does.
    """

    carb: int
    open_per_h: Rate
    shut_per_h: Rate
    way: DripCourse
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
    opened, shut = rate(before, before_min), rate(after, after_min)
    dark = watched.dark_per_h * (before_min + after_min) / 60
    # What a dry gate counts by itself accuses nobody.
    if 1.0 - fewer(math.ceil(before + after), dark) >= _CHANCE:
        return Isolated(carb, opened, shut, DripCourse.DRY)
    if after and last_drop_min is not None and last_drop_min > STOPS_WITHIN_MIN:
        return Isolated(carb, opened, shut, _going_on(before, after, watched))
    silent = (before_min / (before_min + after_min - STOPS_WITHIN_MIN)) ** before
    way = DripCourse.STOPS if silent < _CHANCE else DripCourse.UNTOLD
    return Isolated(carb, opened, shut, way, _needed_min(before, before_min))


def _needed_min(before: float, before_min: float) -> float | None:
    if before < 1:
        return None
    return STOPS_WITHIN_MIN + before_min * (math.pow(_CHANCE, -1.0 / before) - 1.0)


def _going_on(before: float, after: float, watched: Watched) -> DripCourse:
    """Whether the drops go on as they were, or have faded for sure below half of it."""
    after_min = _GOES_ON_SHARE * watched.after_min
    share = after_min / (watched.before_min + after_min)
    seldom = at_most_of(round(after), round(before + after), share) < _FADED
    return DripCourse.FADES if seldom else DripCourse.GOES_ON
