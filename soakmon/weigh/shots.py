"""Accelerator pump: n strokes into a cup, ml per stroke, and the spread from carb to carb."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from soakmon.physics.fuels import Fuel
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.texts import say
from soakmon.weigh.uncertainty import (
    REPEATABILITY_G,
    Measured,
    difference,
    mean_of,
    rss,
    scaled,
    uniform,
    widened,
)

_DENSITY_REL_SD = 0.01
# Fuel that hangs at the nozzle or dries off the cup in one series; workshop judgement, no source.
_HANGING_G = 0.03
# Less than this a stroke is no shot: pumps give some tenths of a ml; judgement.
LEAST_ML = 0.01


@dataclass(frozen=True, slots=True)
class Shot:
    """One carb's pump: ml per stroke with uncertainty, from one or more series."""

    carb: int
    ml_per_stroke: Measured


@dataclass(frozen=True, slots=True)
class Shots:
    """All pumps: spread is (most − least) over the mean; None of a single one, or of none alive."""

    shots: tuple[Shot, ...]
    spread: Measured | None

    @property
    def dead(self) -> tuple[int, ...]:
        """Carbs whose pump gave nothing that more than a wet nozzle and its uncertainty explain."""
        return tuple(
            shot.carb
            for shot in self.shots
            if shot.ml_per_stroke.value <= LEAST_ML + shot.ml_per_stroke.expanded
        )

    def even(self, limit: float = 0.1) -> bool:
        """Whether every pump gives fuel, and the spread is not over a limit for sure.

        10 %: common practice, no source. A single pump has no spread, and is even if it gives.
        """
        spread = self.spread
        return not self.dead and (spread is None or spread.value <= limit + spread.expanded)


def pumped(
    series_g: Sequence[Sequence[tuple[float, float]]],
    strokes: int,
    fuel: Fuel,
    fuel_c: float,
    *,
    resolution_g: float = 0.01,
    repeatability_g: float = REPEATABILITY_G,
) -> Shots:
    """Judge pump shots. series_g: per carb, series of (cup before, cup after) in g, each `strokes`.

    repeatability_g: standard deviation of one weighing, as known beforehand.
    Raises ValueError for no strokes, no series, or a cup that lost mass.
    """
    if strokes < 1 or not series_g or not all(series_g):
        raise ValueError(say("shots.need_stroke_series"))
    g_per_ml = float(density_kg_per_m3(fuel, fuel_c)) * 1e-3
    read = uniform(resolution_g / 2)
    of_series = rss(read, read, uniform(_HANGING_G))
    own, shots = [], []
    for carb, series in enumerate(series_g, start=1):
        if any(after < before for before, after in series):
            raise ValueError(say("shots.cup_weighs_less", carb=carb))
        u = of_series / len(series) ** 0.5
        gains = [after - before for before, after in series]
        grams = mean_of(gains, u, repeat=math.sqrt(2.0) * repeatability_g)
        each = scaled(1.0 / (g_per_ml * strokes), grams)
        own.append(each)
        shots.append(Shot(carb, widened(each, _DENSITY_REL_SD * each.value)))
    return Shots(tuple(shots), _spread(own))


def _spread(own: list[Measured]) -> Measured | None:
    """(Most − least) over the mean; the fuel's density cancels."""
    most, least = max(own, key=lambda m: m.value), min(own, key=lambda m: m.value)
    mean = sum(m.value for m in own) / len(own)
    if mean <= 0 or len(own) == 1:
        return None
    return scaled(1.0 / mean, difference(most, least))
