"""The temperature of the shop over a day, and of the things in it that follow the air."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.blend import Floats

_STEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Climate:
    """What the shop's air does.

    mean_c, swing_c: daily mean and half range; clock_h: time of day at the start; warmest_h: time
    of the day's maximum; restless_c: sd of the weather's own wander over an hour or two.
    """

    mean_c: float = 19.0
    swing_c: float = 2.0
    clock_h: float = 18.0
    warmest_h: float = 16.0
    restless_c: float = 0.4


class Weather:
    """Air temperature along a run, with bodies that lag behind it; made once, then looked up."""

    LAGS_S = (480.0, 1500.0, 3000.0)  # hose, bowls, bottle

    def __init__(self, climate: Climate, hours: float, rng: np.random.Generator) -> None:
        count = int(hours * 3600 / _STEP_S) + 2
        self.t_s: Floats = _STEP_S * np.arange(count, dtype=np.float64)
        clock_h = climate.clock_h + self.t_s / 3600
        day = np.cos(2 * np.pi * (clock_h - climate.warmest_h) / 24)
        wander = _lagged(rng.normal(0, 1, count), 5400.0)
        wander *= climate.restless_c / max(float(np.std(wander)), 1e-9)
        self.air_c: Floats = climate.mean_c + climate.swing_c * day + wander
        self.hose_c, self.bowls_c, self.bottle_c = (_lagged(self.air_c, lag) for lag in self.LAGS_S)

    def at(self, t_s: float) -> tuple[float, float, float, float]:
        """Air, hose, bowls and bottle in °C at t_s."""
        place = min(t_s / _STEP_S, len(self.t_s) - 1.001)
        low = int(place)
        part = place - low
        columns = (self.air_c, self.hose_c, self.bowls_c, self.bottle_c)
        air, hose, bowls, bottle = (
            float(c[low]) * (1 - part) + float(c[low + 1]) * part for c in columns
        )
        return air, hose, bowls, bottle

    def air_at(self, t_s: Floats, lag_s: float = 0.0) -> Floats:
        """Air at times (n,) in °C, or what a body that lags by lag_s has then."""
        column = self.air_c if lag_s == 0 else _lagged(self.air_c, lag_s)
        return np.interp(t_s, self.t_s, column)


def _lagged(values: Floats, lag_s: float) -> Floats:
    keep = math.exp(-_STEP_S / lag_s)
    out = np.empty_like(values)
    level = float(values[0])
    for index, value in enumerate(values.tolist()):
        level = value + (level - value) * keep
        out[index] = level
    return out
