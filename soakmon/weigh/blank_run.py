"""Blank run: bottle and hose with the rack clamped off, measured against the expectation.

The ratio of the two becomes `blank_scale` and `blank_rel_sd` under [priors] of bench.toml. It
corrects what no sheet of sizes knows: the real vent, the real hose.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from soakmon.physics.arrays import Floats
from soakmon.physics.evaporating import fuel_of_air_c
from soakmon.physics.expectation import expected_loss
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.texts import say
from soakmon.weigh.straying import averaged, fitted
from soakmon.weigh.uncertainty import (
    REPEATABILITY_G,
    Measured,
    change,
    ratio,
    rss,
    scaled,
    total,
    uniform,
)

LEAST_HOURS = 6.0
_LEAST_MEANS = 12
# What the ratio still leaves open on another day: of simulated days with draughts 5 % and vapour
# pressures 4 % apart 95 in 100 are within 0.06 of the day before.
_ANOTHER_DAY_REL = 0.03
# A ratio that is less sure than this teaches too little to stand in bench.toml (judgement).
MOST_REL_SD = 0.2
_LONGEST_HOURS = 336.0
# How far a scale strays in a day on which a bottle stays, as a standard deviation, and of how many
# days that is taken to be known: cells of 1 to 2 kg wander by 0.1 to 0.3 g and shift by 0.05 to
# 0.25 g/°C, one far more than another; judgement after records of such.
SCALE_DRIFT_G, _DRIFT_DF = 0.4, 6
# The shop's day does so many times as much to it; and how well its mean temperature is known, °C:
# the middle of lowest and highest is off by 0.3 °C in simulated shops, a workshop's thermometer by
# up to 1 °C (common practice, no source).
_BY_HOUR, _AIR_SD_C = 2.0, 0.65


class UnsureError(ValueError):
    """A blank run from which the loss is known too badly; needed_hours: what would do, about."""

    def __init__(self, text: str, needed_hours: float) -> None:
        super().__init__(text)
        self.needed_hours = needed_hours


@dataclass(frozen=True, slots=True)
class BlankRun:
    """Result: measured_g lost over hours, expected_g by the physics, and their ratio."""

    hours: float
    measured_g: Measured
    expected_g: float
    scale: Measured

    @property
    def blank_scale(self) -> float:
        """For bench.toml: measured over expected."""
        return self.scale.value

    @property
    def blank_rel_sd(self) -> float:
        """For bench.toml: relative standard uncertainty of that, as another day would see it.

        bench.toml knows no degrees of freedom: half of what is expanded by them, which a normal
        value would have.
        """
        return rss(self.scale.expanded / 2 / self.scale.value, _ANOTHER_DAY_REL)

    @property
    def believable(self) -> bool:
        """Whether the ratio is one that a tight bench can have: within a factor of three of 1."""
        return 1 / 3 <= self.blank_scale <= 3


def blank_run(
    geometry: BenchGeometry,
    fuel: Fuel,
    t_s: Floats,
    mass_g: Floats,
    air_c: Floats,
    *,
    resolution_g: float = 0.01,
    zero_g_per_c: float = 0.1,
) -> BlankRun:
    """Judge a blank run. t_s, mass_g, air_c: (n,), gaps as NaN; bowls of the geometry are ignored.

    The loss is the course of the expectation fitted to all of the record; its uncertainty has
    what the cell does meanwhile (`straying`): creep that is left, the zero shift with temperature
    of which zero_g_per_c is said, wander, noise and resolution. Raises UnsureError where that is
    too much, ValueError when the run is shorter than six hours or has no temperature.
    """
    good = np.isfinite(mass_g)
    t_s, mass_g = np.asarray(t_s)[good], np.asarray(mass_g)[good]
    air_c = np.asarray(air_c, dtype=float)[good]
    known = np.isfinite(air_c)
    if not known.any():
        raise ValueError(say("blank_run.no_temperature"))
    hours = float(t_s[-1] - t_s[0]) / 3600 if len(t_s) else 0.0
    _refuse_short(hours)
    air_c = np.interp(t_s, t_s[known], air_c[known])
    alone = replace(geometry, bowls=())
    lost_g = expected_loss(alone, fuel, t_s, fuel_of_air_c(t_s, air_c)).best_g
    record = averaged(t_s, mass_g, air_c, lost_g, resolution_g)
    if len(record.t_s) < _LEAST_MEANS:
        raise ValueError(say("blank_run.too_few_readings"))
    expected_g = float(lost_g[-1] - lost_g[0])
    scale = fitted(record, zero_g_per_c)
    return _sure(BlankRun(hours, scaled(expected_g, scale), expected_g, scale))


def blank_weighed(
    geometry: BenchGeometry,
    fuel: Fuel,
    hours: float,
    air_c: float,
    *,
    before_g: Sequence[float],
    after_g: Sequence[float],
    resolution_g: float = 0.01,
    repeatability_g: float = REPEATABILITY_G,
    drift_g: float = SCALE_DRIFT_G,
) -> BlankRun:
    """Judge a blank run of which only both ends were weighed, at a mean temperature air_c.

    before_g, after_g: weighings; repeatability_g: standard deviation of one, as known beforehand.
    drift_g: how far the scale strays in a day (one standard deviation); 0: it is tared each time.
    Raises as `blank_run`.
    """
    _refuse_short(hours)
    if not before_g or not after_g:
        raise ValueError(say("blank_run.weigh_both_ends"))
    expected_g, warmer_g = (_lost_g(geometry, fuel, hours, c) for c in (air_c, air_c + _AIR_SD_C))
    read = uniform(resolution_g / 2)
    gone = change(after_g, before_g, read, repeat=repeatability_g)
    measured = total((gone, Measured(0.0, drift_g * _days_drift(hours), _DRIFT_DF)))
    scale = ratio(measured, Measured(expected_g, warmer_g - expected_g))
    return _sure(BlankRun(hours, measured, expected_g, scale))


def _lost_g(geometry: BenchGeometry, fuel: Fuel, hours: float, air_c: float) -> float:
    """What bottle and hose should lose at an even temperature."""
    t_s = np.linspace(0.0, 3600.0 * hours, max(int(hours * 6), 2))
    alone = replace(geometry, bowls=())
    return float(expected_loss(alone, fuel, t_s, np.full_like(t_s, air_c)).best_g[-1])


def _days_drift(hours: float) -> float:
    """How far a scale strays, over how far in a day.

    It wanders with the root of time, and its zero follows the shop, which at another hour of the
    day is warmer or colder.
    """
    return rss(math.sqrt(hours / 24), _BY_HOUR * math.sin(math.pi * hours / 24))


def _refuse_short(hours: float) -> None:
    if hours < LEAST_HOURS:
        least, had = f"{LEAST_HOURS:g}", f"{hours:.1f}"
        raise ValueError(say("blank_run.needs_hours", least=least, had=had))


def _sure(run: BlankRun) -> BlankRun:
    """The same run. Raises UnsureError when its ratio is known too badly."""
    lost, u = run.measured_g.value, run.scale.expanded / 2 * run.expected_g
    if lost > 0 and run.blank_rel_sd <= MOST_REL_SD:
        return run
    # What wanders adds with the root of time, what is lost with time.
    allowed = math.sqrt(MOST_REL_SD**2 - _ANOTHER_DAY_REL**2)
    needed = run.hours * (u / (allowed * max(lost, u / 2))) ** 2
    how = say("blank_run.run_for_about", hours=math.ceil(needed))
    if needed > _LONGEST_HOURS:
        how = say("blank_run.two_weeks_would_not_tell")
    text = say(
        "blank_run.loss_too_small", lost=f"{lost:.2f}", hours=f"{run.hours:.0f}", u=f"{u:.2f}"
    )
    raise UnsureError(f"{text}: {how}", needed)
