"""What a bench at rest says of itself: noise, swing and drift of the cell, over some minutes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soakmon.physics.arrays import Floats

LEAST_READINGS = 60
# A line of the spectrum that stands out so much is no noise: with a thousand lines of white noise
# the largest is above this many times their mean in one night of a thousand (exponential lines).
_STANDS_OUT = math.log(1000 / 1e-3)
_BLOCK_S = 30.0


@dataclass(frozen=True, slots=True)
class Still:
    """A bench at rest. noise_g: sd of one reading of a second; swing_g: amplitude of what comes
    again every swing_s seconds (0 where nothing does); drift_g_per_h with its standard uncertainty.
    """

    minutes: float
    noise_g: float
    swing_g: float
    swing_s: float
    drift_g_per_h: float
    drift_u_g_per_h: float


def still(t_s: Floats, mass_g: Floats) -> Still | None:
    """Judge readings (N,) of a second each at times (N,) in s; None when there are too few."""
    good = np.isfinite(mass_g)
    t_s, mass_g = t_s[good], mass_g[good]
    if len(t_s) < LEAST_READINGS:
        return None
    # Differences know no drift; by the median no knock counts.
    steps = np.diff(mass_g)
    noise_g = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(2)
    drift, drift_u = _drift(t_s, mass_g)
    rest = mass_g - np.polyval(np.polyfit(t_s - t_s[0], mass_g, 1), t_s - t_s[0])
    swing_g, swing_s = _swing(rest, float(t_s[-1] - t_s[0]))
    minutes = float(t_s[-1] - t_s[0]) / 60
    return Still(minutes, noise_g, swing_g, swing_s, 3600 * drift, 3600 * drift_u)


def _drift(t_s: Floats, mass_g: Floats) -> tuple[float, float]:
    """Slope through medians of half minutes and its standard uncertainty, g/s: what wanders slower
    than a second is in their scatter.
    """
    block = ((t_s - t_s[0]) // _BLOCK_S).astype(int)
    times = np.array([float(np.mean(t_s[block == k])) for k in np.unique(block)])
    masses = np.array([float(np.median(mass_g[block == k])) for k in np.unique(block)])
    if len(times) < 4:
        return float(np.polyfit(t_s, mass_g, 1)[0]), math.inf
    off_s = times - times.mean()
    slope = float(off_s @ masses / (off_s @ off_s))
    rest = masses - masses.mean() - slope * off_s
    return slope, math.sqrt(float(rest @ rest) / (len(times) - 2) / float(off_s @ off_s))


def _swing(rest_g: Floats, span_s: float) -> tuple[float, float]:
    """Amplitude in g and period in s of the line that stands out of the spectrum; 0, 0 for none."""
    power = np.abs(np.fft.rfft(rest_g))[2:] ** 2
    if not len(power) or not power.any():
        return 0.0, 0.0
    line = int(np.argmax(power))
    if power[line] < _STANDS_OUT * float(np.mean(power)):
        return 0.0, 0.0
    return 2 * math.sqrt(float(power[line])) / len(rest_g), span_s / (line + 2)
