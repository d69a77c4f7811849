"""Float weighing: a float that takes up fuel weighs more after lying in it, and stands lower."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soakmon.texts import say
from soakmon.weigh.uncertainty import (
    REPEATABILITY_G,
    Measured,
    change,
    mean_of,
    uniform,
    widened,
)

# A brass or plastic float wiped dry keeps some fuel in its seams, from nothing up to this; workshop
# judgement, no source.
_WET_G = 0.03


@dataclass(frozen=True, slots=True)
class FloatWeighing:
    """One float: dry_g, soaked_g, and gain_g, less what stays wet, with uncertainty."""

    carb: int
    dry_g: Measured
    soaked_g: Measured
    gain_g: Measured

    @property
    def takes_fuel(self) -> bool:
        """Whether the gain is beyond its expanded uncertainty."""
        return self.gain_g.value > self.gain_g.expanded


def weighed(
    carb: int,
    dry_g: Sequence[float],
    soaked_g: Sequence[float],
    *,
    resolution_g: float = 0.01,
    repeatability_g: float = REPEATABILITY_G,
) -> FloatWeighing:
    """Judge one float from weighings dry and after its soak (wiped), g.

    repeatability_g: standard deviation of one weighing, as known beforehand.

    Raises ValueError without both, or for masses that are not above zero.
    """
    if not dry_g or not soaked_g or min([*dry_g, *soaked_g]) <= 0:
        raise ValueError(say("float_weigh.dry_and_after", carb=carb))
    read = uniform(resolution_g / 2)
    dry = mean_of(dry_g, read, repeat=repeatability_g)
    soaked = mean_of(soaked_g, read, repeat=repeatability_g)
    gained = change(dry_g, soaked_g, read, repeat=repeatability_g)
    taken_up = Measured(gained.value - _WET_G / 2, gained.u, gained.df)
    gain = widened(taken_up, uniform(_WET_G / 2))
    return FloatWeighing(carb, dry, soaked, gain)
