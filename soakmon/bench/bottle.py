"""The bottle while the feed is open: how fast it falls, refills, and a mass that rises.

Fuel only leaves, so what counts is the lowest level yet. A refill, or somebody who leans on the
bench, lifts it at once; what rises for longer is neither.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from soakmon.bench.levels import Level

_MINUTE_S = 60.0
# Levels lie in the middle of their readings, so a minute of readings holds a little less.
_RATE_OVER_S = 55.0
_HISTORY_S = 600.0
_SPACING_S = 0.5
# Nobody pours for longer (judgement): from a fifth to four fifths of what was poured.
_POUR_S = 45.0
_CALM_S = 20.0
_STILL_RISING_S = 80.0
_RETURNS_WITHIN_G = 3.0
_SURE_AFTER_S = 2.0


@dataclass(frozen=True, slots=True)
class _Lift:
    """A step up that was taken for a refill, from where."""

    from_g: float
    by_g: float


class BottleLevel:
    """Follows the levels of an opening; rise_g: what the mass may rise by, refills apart."""

    def __init__(self, rise_g: float, rate_g_per_min: float) -> None:
        self.rise_g = rise_g
        self.rate_g_per_min = rate_g_per_min
        self.low_g: float | None = None
        self.levels: deque[Level] = deque()
        self.lows: deque[Level] = deque()
        self.lift: _Lift | None = None
        self.fast_since_s: float | None = None
        self.rises = False

    def take(self, level: Level, *, filling: bool) -> float:
        """Take the next level; what it shifts all earlier ones by, in g: a refill, or its end."""
        if self.levels and level.t_s < self.levels[-1].t_s + _SPACING_S:
            return 0.0
        self.levels.append(level)
        while self.levels[0].t_s < level.t_s - _HISTORY_S:
            self.levels.popleft()
        low_g = level.mass_g if self.low_g is None else self.low_g
        shift_g = self._shift(level, low_g, filling)
        if shift_g:
            self.lows = deque(Level(low.t_s, low.mass_g + shift_g) for low in self.lows)
        self.low_g = min(low_g + shift_g, level.mass_g)
        self.lows.append(Level(level.t_s, self.low_g))
        while len(self.lows) > 1 and self.lows[1].t_s <= level.t_s - _RATE_OVER_S:
            self.lows.popleft()
        return shift_g

    def fall_g_per_min(self) -> float | None:
        """Loss rate over the last minute; None before there is one."""
        now, before = self.lows[-1], self.lows[0]
        seconds = now.t_s - before.t_s
        return (
            (before.mass_g - now.mass_g) / seconds * _MINUTE_S if seconds >= _RATE_OVER_S else None
        )

    def falls_fast(self) -> float | None:
        """The rate in g/min when it is above the limit, else None.

        Where something was put on the bottle before, it is waited for a moment: somebody who takes
        the hand away is no flood.
        """
        now, before = self.lows[-1], self.lows[0]
        # A fall need not last for a whole minute to be too fast.
        minutes = max(now.t_s - before.t_s, _RATE_OVER_S) / _MINUTE_S
        rate, now_s = (before.mass_g - now.mass_g) / minutes, now.t_s
        if rate <= self.rate_g_per_min:
            self.fast_since_s = None
            return None
        if self.fast_since_s is None:
            self.fast_since_s = now_s
        sure = self.lift is None or now_s - self.fast_since_s >= _SURE_AFTER_S
        return rate if sure else None

    def _shift(self, level: Level, low_g: float, filling: bool) -> float:
        lift = self.lift
        falls = low_g - level.mass_g > self.rate_g_per_min
        if lift is not None and falls and abs(level.mass_g - lift.from_g) <= _RETURNS_WITHIN_G:
            self.lift = None
            return -lift.by_g
        rise_g = level.mass_g - low_g
        if rise_g <= self.rise_g:
            return 0.0
        low_s = self._last_below(low_g + 0.2 * rise_g)
        if filling:
            # Nobody refills a bottle that has just begun to run, but a hand may rest on it.
            self.rises |= level.t_s - low_s > _CALM_S
            return 0.0
        if self._still_rising(level):
            self.rises |= level.t_s - low_s > _STILL_RISING_S
            return 0.0
        if not self._stepped(low_s, low_g + 0.8 * rise_g):
            self.rises = True
            return 0.0
        self.lift = _Lift(low_g, rise_g)
        return rise_g

    def _last_below(self, mass_g: float) -> float:
        below = [past.t_s for past in self.levels if past.mass_g <= mass_g]
        return below[-1] if below else self.levels[0].t_s - _HISTORY_S

    def _still_rising(self, level: Level) -> bool:
        before = [past for past in self.levels if past.t_s <= level.t_s - _CALM_S]
        return not before or level.mass_g - before[-1].mass_g > 0.1 * self.rise_g

    def _stepped(self, low_s: float, high_g: float) -> bool:
        """Whether the mass was up soon after low_s, or by the next level where they come rarely."""
        after = [past for past in self.levels if past.t_s > low_s]
        high_s = next(past.t_s for past in after if past.mass_g >= high_g)
        return high_s - low_s <= _POUR_S or high_s <= after[min(1, len(after) - 1)].t_s
