"""Feed-off isolation: which drops go on when the feed is shut, and what that says.

Past a needle fuel comes only while there is feed: such drops stop within about two minutes. A
joint of a bowl goes on from the bowl's own content. A rail joint stops when the rail has drained,
a cracked overflow tube when the level is below the crack. Counts are Poisson: the standard
uncertainty of n drops is the root of n (of 1 for none).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from soakmon.weigh.uncertainty import Measured, difference, scaled

# Fuel between needle and lip runs off for about so long; workshop judgement, no source.
STOPS_WITHIN_MIN = 2.0
_GOES_ON_SHARE = 0.5


class Way(StrEnum):
    """What the drops of a carb do when the feed is shut."""

    DRY = "dry"
    STOPS = "stops"
    GOES_ON = "goes on"
    FADES = "fades"


WORDS = {
    Way.DRY: "no drops",
    Way.STOPS: "stops with the feed: past the needle and seat",
    Way.GOES_ON: "goes on from the bowl: bowl gasket or drain plug, or a cracked overflow tube",
    Way.FADES: "fades out: a rail joint that drains, or an overflow tube cracked above the level",
}


@dataclass(frozen=True, slots=True)
class Isolated:
    """One carb: drops per hour with the feed open and shut, and what became of them."""

    carb: int
    open_per_h: Measured
    shut_per_h: Measured
    way: Way


def isolated(
    carb: int,
    before: float,
    before_min: float,
    after: float,
    after_min: float,
    *,
    last_drop_min: float | None,
) -> Isolated:
    """Judge one carb. before, after: drops counted; last_drop_min: of the last after shutting.

    Raises ValueError when nothing was counted long enough, or the last drop fell after the count.
    """
    if before_min <= 0 or after_min <= STOPS_WITHIN_MIN:
        raise ValueError(f"count for more than {STOPS_WITHIN_MIN:g} min after shutting the feed")
    if after and (last_drop_min is None or not 0 <= last_drop_min <= after_min):
        raise ValueError(f"carb {carb}: when did the last drop fall, in minutes after shutting?")
    opened, shut = _rate(before, before_min), _rate(after, after_min)
    return Isolated(carb, opened, shut, _way(opened, shut, last_drop_min if after else None))


def _rate(drops: float, minutes: float) -> Measured:
    return scaled(60.0 / minutes, Measured(drops, math.sqrt(max(drops, 1.0))))


def _way(opened: Measured, shut: Measured, last_drop_min: float | None) -> Way:
    if opened.value == 0 and shut.value == 0:
        return Way.DRY
    if last_drop_min is None or last_drop_min <= STOPS_WITHIN_MIN:
        return Way.STOPS
    missing = difference(scaled(_GOES_ON_SHARE, opened), shut)
    # Called fading only when the rate has fallen by more than its uncertainty explains.
    return Way.FADES if missing.value > missing.expanded else Way.GOES_ON
