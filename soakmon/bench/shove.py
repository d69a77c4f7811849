"""Somebody who knocks against the bottle, or lifts it for a moment, is no flood.

No hose lets through what a hand takes off at once. So a level that has dropped suddenly is held
back for some seconds: when it comes back, nothing was; when it stays or falls on, all that was held
counts. A flow that a hose can bring is not held up.
"""

from __future__ import annotations

from collections import deque

from soakmon.bench.levels import Level

# Ninety grams in a minute: three times a flood (judgement).
_SUDDEN_G_PER_S = 1.5
_LEAST_G = 1.5
_LOOKS_BACK_S = 1.0
# Longer than somebody who stumbles leans on a bench (judgement).
_RETURNS_WITHIN_S = 10.0


class Shoves:
    """Passes levels on; may_fall_g: what they may fall by before anybody minds."""

    def __init__(self, may_fall_g: float) -> None:
        self.sudden_g = max(may_fall_g, _LEAST_G)
        self.passed: deque[Level] = deque()
        self.held: list[Level] = []

    def take(self, level: Level) -> list[Level]:
        """The levels that count from now on, oldest first; none while a sudden drop is held."""
        if not self.held and not self._dropped(level):
            return self._pass_on([level])
        from_g = max(before.mass_g for before in self.passed)
        if level.mass_g > from_g - self.sudden_g / 2:
            self.held = []
            return self._pass_on([level])
        self.held.append(level)
        first = self.held[0]
        falls_on = first.mass_g - level.mass_g > self.sudden_g
        if falls_on or level.t_s - first.t_s > _RETURNS_WITHIN_S:
            held, self.held = self.held, []
            self.passed.clear()
            return self._pass_on(held)
        return []

    def _dropped(self, level: Level) -> bool:
        return any(
            before.mass_g - level.mass_g
            > max(self.sudden_g, _SUDDEN_G_PER_S * (level.t_s - before.t_s))
            for before in self.passed
        )

    def _pass_on(self, levels: list[Level]) -> list[Level]:
        self.passed.extend(levels)
        while len(self.passed) > 1 and self.passed[1].t_s <= levels[-1].t_s - _LOOKS_BACK_S:
            self.passed.popleft()
        return levels
