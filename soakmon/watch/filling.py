"""Finds the filling of the rack at the start of a run, and what it took.

idle ──loss──► filling ──flow ends──► settling ──settle time──► soaking
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np

from soakmon.watch.averaging import Average
from soakmon.watch.state import kept

# A rack fills within the first half hour of a recording, or right after the feed is opened.
_LATEST_START_S = 2400.0
_FLOW_ENDS_G_PER_MIN = 1.0
_LONGEST_S = 3600.0


class Phase(StrEnum):
    """Where a soak is."""

    IDLE = "idle"
    FILLING = "filling"
    SETTLING = "settling"
    SOAKING = "soaking"


@kept
class FillFinder:
    """Follows a run from idle to soaking, one averaged reading at a time.

    expected_g: fuel that bowls and hose take; settle_s: from the end of flow to soaking.
    """

    def __init__(self, expected_g: float, settle_s: float, *, already_soaking: bool) -> None:
        self.expected_g = expected_g
        self.settle_s = settle_s
        self.phase = str(Phase.SOAKING if already_soaking else Phase.IDLE)
        self.found = False
        self.full_g = float("nan")
        self.history: list[float] = []
        self.started_s = 0.0
        self.ended_s = 0.0
        self.taken_g = float("nan")
        self.given_up = already_soaking

    def step(self, average: Average) -> str:
        """The phase after this reading."""
        if math.isfinite(average.mass_g):
            self._step(average)
        elif self.phase == Phase.SETTLING and average.t_s - self.ended_s >= self.settle_s:
            self.phase = str(Phase.SOAKING)
        return self.phase

    def _step(self, average: Average) -> None:
        t_s, mass_g = average.t_s, average.mass_g
        self.history.append(mass_g)
        del self.history[:-10]
        if self.phase == Phase.IDLE:
            self._idle(t_s, mass_g)
        elif self.phase == Phase.FILLING:
            self._filling(t_s)
        elif self.phase == Phase.SETTLING:
            self.taken_g = max(self.taken_g, self.full_g - mass_g)
            if t_s - self.ended_s >= self.settle_s:
                self.phase = str(Phase.SOAKING)

    def _idle(self, t_s: float, mass_g: float) -> None:
        if not math.isfinite(self.full_g):
            self.full_g = mass_g
        recent = max(self.history)
        if recent - mass_g > max(0.3 * self.expected_g, 5.0):
            self.phase, self.found, self.started_s = str(Phase.FILLING), True, t_s
            self.full_g = recent
        elif t_s > _LATEST_START_S:
            self.phase, self.given_up = str(Phase.SOAKING), True

    def _filling(self, t_s: float) -> None:
        taken = self.full_g - self.history[-1]
        flow = self.history[-2] - self.history[-1]
        overfull = taken > 1.3 * self.expected_g + 10.0
        if flow < _FLOW_ENDS_G_PER_MIN or overfull or t_s - self.started_s > _LONGEST_S:
            self.phase, self.ended_s, self.taken_g = str(Phase.SETTLING), t_s, taken

    def bowls_short(self, bowl_g: float) -> int:
        """How many bowls' worth of fuel is missing from the fill; 0 when unknown."""
        if not self.found or bowl_g <= 0 or not math.isfinite(self.taken_g):
            return 0
        return max(0, int(np.floor((self.expected_g - self.taken_g) / bowl_g + 0.35)))
