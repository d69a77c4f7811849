"""After the whole bench has stood still: may the feed be opened again?

A process that was stopped is like one that crashed and was started again: the feed was open and
nobody watched. So it is shut at once, and opened again when the bench has seen for a while that
all is well, unless that happens again soon. Nothing else opens a feed that the bench has shut.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

from soakmon.texts import say

_WELL_S = 30.0
_GIVES_UP_S = 120.0
_LEAST_READINGS = 10
_REMEMBERS = 120
# What the cell's noise and a needle's sip may amount to.
_NOISE_G = 0.6
# Longer, and somebody may have taken the rack off, as after a restart; again so soon, and it is no
# accident (judgement).
LONGEST_S = 1800.0
AGAIN_S = 3600.0


@dataclass(slots=True)
class Pause:
    """The feed is shut since the bench stood still until since_s.

    before_g: mass before, or NaN; may_lose_g: what may have run out meanwhile.
    """

    since_s: float
    before_g: float
    may_lose_g: float
    masses: list[float] = field(default_factory=list)
    now_s: float = -math.inf

    def take(self, t_s: float, mass_g: float) -> None:
        """The next row's mass in g (NaN: none) at t_s."""
        self.now_s = t_s
        if math.isfinite(mass_g):
            self.masses.append(mass_g)

    def over(self) -> bool:
        """Whether enough was seen to judge."""
        shut_s = self.now_s - self.since_s
        return shut_s >= _GIVES_UP_S or (shut_s >= _WELL_S and len(self.masses) >= _LEAST_READINGS)

    def why_not(self) -> str:
        """What speaks against opening again, or ""."""
        if len(self.masses) < _LEAST_READINGS or math.isnan(self.before_g):
            return say("stall.load_cell_gave_too_few")
        lost_g = self.before_g - median(self.masses)
        if lost_g > _NOISE_G + self.may_lose_g:
            return say("stall.g_ran_out_meanwhile", lost_g=f"{lost_g:.1f}")
        return ""


class Stalls:
    """The masses of the last rows, and the pause while one is on."""

    def __init__(self) -> None:
        self.recent: deque[tuple[float, float]] = deque(maxlen=_REMEMBERS)
        self.pause: Pause | None = None

    def take(self, t_s: float, mass_g: float) -> None:
        """The next row's mass in g (NaN: none) at t_s."""
        self.recent.append((t_s, mass_g))
        if self.pause is not None:
            self.pause.take(t_s, mass_g)

    def begin(self, now_s: float, stood_s: float, may_lose_g: float) -> None:
        """The bench stood still until now_s. Rows of after that may have been taken already."""
        before = [
            mass_g
            for t_s, mass_g in self.recent
            if t_s <= now_s - stood_s + 1.0 and math.isfinite(mass_g)
        ]
        before_g = median(before[-_LEAST_READINGS:]) if before else math.nan
        self.pause = Pause(now_s, before_g, may_lose_g)
