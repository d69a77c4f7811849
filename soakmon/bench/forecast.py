"""When the bottle will be empty, at the loss rate of the last hours."""

from __future__ import annotations

import math

import numpy as np

from soakmon.watch.trend import trend

_FORECAST_S = 7200.0
_FORECAST_FROM_S = 1800.0
_LEAST_MINUTES = 10
_HISTORY_MINUTES = 240
# Further ahead nobody would believe it.
_AHEAD_S = 7 * 86400


class Forecast:
    """A reading a minute, (s, g): as many as are kept."""

    def __init__(self) -> None:
        self.minutes: list[tuple[float, float]] = []

    def take(self, t_s: float, mass_g: float) -> None:
        """The next row's mass; NaN: none."""
        if math.isfinite(mass_g) and (not self.minutes or t_s - self.minutes[-1][0] >= 60):
            self.minutes.append((t_s, mass_g))
            del self.minutes[:-_HISTORY_MINUTES]

    def dry_at_s(self, now_s: float) -> float | None:
        """When the mass will be nothing, s; None while too little is known or nothing is lost."""
        points = [(t_s, mass_g) for t_s, mass_g in self.minutes if t_s > now_s - _FORECAST_S]
        if len(points) < _LEAST_MINUTES or points[-1][0] - points[0][0] < _FORECAST_FROM_S:
            return None
        times, masses = np.array(points).T
        line = trend(times - now_s, masses)
        left_s = line.crosses(0.0)
        if line.slope > -3 * line.slope_se or not 0 < left_s < _AHEAD_S:
            return None
        return now_s + left_s
