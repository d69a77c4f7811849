"""A leak at a place: how large, since when, until when."""

from __future__ import annotations

import math
from dataclasses import dataclass

from soakmon.watch.verdict import Band, Leak


@dataclass(frozen=True, slots=True)
class LocatedLeak:
    """A leak at a place: carb or None, first drop (or onset) s, its estimate, what drops say.

    leak: while it leaked, g/h; since_s: 95 % bracket of its beginning, s; until_s: when it stopped
    by itself, None: not while it was watched; fed_h: hours of the soak in which fuel could leak;
    unfed: it showed only once the feed was shut, out of what its bowl held.
    """

    carb: int | None
    onset_s: float
    leak: Band
    mass_led: bool
    dripped_g_per_h: float = 0.0
    place: int = 0
    until_s: float | None = None
    since_s: tuple[float, float] = (math.nan, math.nan)
    fed_h: float = 1.0
    unfed: bool = False

    @property
    def over_soak(self) -> Band:
        """The leak as a mean over the soak, g/h: one that stopped is not said as if it went on."""
        if self.until_s is None:
            return self.leak
        share = min((self.until_s - self.onset_s) / 3600 / self.fed_h, 1.0)
        return Band(*(share * rate for rate in (self.leak.best, self.leak.low, self.leak.high)))

    @property
    def lost_g(self) -> float | None:
        """What a leak that has stopped let out, g; None for one that goes on."""
        if self.until_s is None:
            return None
        return self.leak.best * (self.until_s - self.onset_s) / 3600

    def in_verdict(self) -> Leak:
        """As the verdict tells it."""
        return Leak(self.carb, self.over_soak, self.since_s, self.until_s, self.lost_g)
