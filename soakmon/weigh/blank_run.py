"""Blank run: bottle and hose with the rack clamped off, measured against the expectation.

The ratio of the two becomes `blank_scale` and `blank_rel_sd` under [priors] of bench.toml. It
corrects what no sheet of sizes knows: the real vent, the real hose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from soakmon.physics.arrays import Floats
from soakmon.physics.evaporating import fuel_of_air_c
from soakmon.physics.expectation import expected_loss
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.weigh.uncertainty import (
    REPEATABILITY_G,
    Measured,
    difference,
    mean_of,
    ratio,
    rss,
    uniform,
)

LEAST_HOURS = 6.0
# What the ratio still leaves open on another day: air movement, fuel from another drum.
# Workshop judgement, no source.
_ANOTHER_DAY_REL = 0.05
# From differences over one and four hours; what wanders comes back before it has strayed further.
_SHORT_H, _LONG_H, _FURTHEST_G = 1, 4, 0.4


@dataclass(frozen=True, slots=True)
class BlankRun:
    """Result: measured_g lost over hours, expected_g by the physics, and their ratio.

    wander_g: how far the cell may have strayed meanwhile, as its own readings show (one sd).
    """

    hours: float
    measured_g: Measured
    expected_g: float
    scale: Measured
    wander_g: float = 0.0

    @property
    def blank_scale(self) -> float:
        """For bench.toml: measured over expected."""
        return self.scale.value

    @property
    def blank_rel_sd(self) -> float:
        """For bench.toml: relative standard uncertainty of that, as another day would see it."""
        strayed = self.wander_g / self.measured_g.value
        return rss(self.scale.u / self.scale.value, strayed, _ANOTHER_DAY_REL)

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

    Uncertainty of the loss: scatter of the first and last tenth (A), the resolution at both ends
    and the zero shift with temperature zero_g_per_c (B). Raises ValueError when the run is shorter
    than six hours, or the loss is too small against its uncertainty to say anything.
    """
    good = np.isfinite(mass_g)
    t_s, mass_g = np.asarray(t_s)[good], np.asarray(mass_g)[good]
    air_c = np.asarray(air_c, dtype=float)[good]
    known = np.isfinite(air_c)
    if not known.any():
        raise ValueError("the blank run has no temperature: what should evaporate is unknown")
    hours = float(t_s[-1] - t_s[0]) / 3600 if len(t_s) else 0.0
    if hours < LEAST_HOURS:
        raise ValueError(f"a blank run needs {LEAST_HOURS:g} hours; this one has {hours:.1f}")
    air_c = np.interp(t_s, t_s[known], air_c[known])
    alone = replace(geometry, bowls=())
    expectation = expected_loss(alone, fuel, t_s, fuel_of_air_c(t_s, air_c))
    ends = max(len(t_s) // 10, 2)
    first, last = slice(0, ends), slice(-ends, None)
    began, ended = _end(t_s, mass_g, first), _end(t_s, mass_g, last)
    warmed_c = float(air_c[last].mean() - air_c[first].mean())
    # The ends are means over a tenth of the run: the expectation is taken over the same.
    best = expectation.best_g
    expected = float(best[last].mean() - best[first].mean())
    u = rss(
        began.u,
        ended.u,
        uniform(resolution_g / 2),
        uniform(resolution_g / 2),
        zero_g_per_c * warmed_c,
    )
    measured = Measured(began.value - ended.value, u)
    _refuse_small(measured)
    scale = ratio(measured, Measured(expected, 0.0))
    strays = _wander_g(t_s, mass_g + scale.value * best)
    return BlankRun(hours, measured, expected, scale, strays)


def _wander_g(t_s: Floats, still_g: Floats) -> float:
    """How far a reading (n,) that should stand still has walked from end to end, one sd.

    White noise differs as much over one hour as over four, a walk four times as much (in variance).
    """
    hour = ((t_s - t_s[0]) // 3600).astype(int)
    means = np.array([still_g[hour == h].mean() for h in np.unique(hour)])
    short, long = (float(np.mean((means[n:] - means[:-n]) ** 2)) for n in (_SHORT_H, _LONG_H))
    per_h = max(long - short, 0.0) / (_LONG_H - _SHORT_H)
    return min(float(np.sqrt(per_h * len(means))), _FURTHEST_G)


def _end(t_s: Floats, mass_g: Floats, part: slice) -> Measured:
    """Mean mass over one end of the run, with the scatter about its own slope."""
    t, m = t_s[part] - t_s[part].mean(), mass_g[part]
    slope = float(t @ (m - m.mean()) / max(float(t @ t), 1e-12))
    off = m - m.mean() - slope * t
    freedom = max(len(m) - 2, 1)
    return Measured(float(m.mean()), float(np.sqrt(off @ off / freedom / len(m))))


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
    air_rel_sd: float = 0.05,
) -> BlankRun:
    """Judge a blank run of which only both ends were weighed, at a mean temperature air_c.

    before_g, after_g: weighings; repeatability_g: standard deviation of one, as known beforehand.
    air_rel_sd: what a degree of doubt about the mean
    temperature does to the expectation (vapour pressure rises by 4 to 5 % per °C).
    """
    if hours < LEAST_HOURS:
        raise ValueError(f"a blank run needs {LEAST_HOURS:g} hours; this one has {hours:.1f}")
    if not before_g or not after_g:
        raise ValueError("weigh the bottle at both ends of the blank run")
    t_s = np.linspace(0.0, 3600.0 * hours, max(int(hours * 6), 2))
    expectation = expected_loss(replace(geometry, bowls=()), fuel, t_s, np.full_like(t_s, air_c))
    expected = float(expectation.best_g[-1])
    read = uniform(resolution_g / 2)
    measured = difference(
        mean_of(before_g, read, repeat=repeatability_g),
        mean_of(after_g, read, repeat=repeatability_g),
    )
    _refuse_small(measured)
    return BlankRun(
        hours, measured, expected, ratio(measured, Measured(expected, air_rel_sd * expected))
    )


def _refuse_small(measured: Measured) -> None:
    if measured.value < 2 * measured.u:
        raise ValueError(
            f"the loss of {measured.value:.2f} g is too small against its uncertainty of "
            f"{measured.u:.2f} g: run longer, at an even temperature"
        )
