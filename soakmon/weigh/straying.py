"""What a load cell adds by itself to a slow loss, and the loss that is left.

A reading that should only follow the loss also creeps after the load was put on, follows the shop's
temperature, wanders off, and wanders and comes back. How much of each a cell does is unknown
beforehand: kinds of cells, as uncalibrated specimens are, are fitted side by side (generalised
least squares; Aitken 1935, from memory), each weighted by how well it explains the record
(restricted likelihood; Patterson & Thompson 1971, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from soakmon.physics.arrays import Floats
from soakmon.physics.evaporating import lagged
from soakmon.weigh.uncertainty import Measured

# Creep of 65 cells: 30 over 60 minutes 0.84, so 18 minutes (NIST, PubMed 27805151). Of a kilogram
# it is some 0.3 g (trade sheets: 0.02 to 0.05 %), spread 0.6 on a logarithmic scale: root mean
# square.
_CREEP_S, _CREEP_G = 1100.0, 0.43
# Random walk in g after an hour, of 0.15 g in a day (0.1 to 0.3 g were seen), spread 0.7 on a
# logarithmic scale; and on to what a bad cell does. With weights.
_WALKS = tuple(
    (0.15 / math.sqrt(24.0) * math.exp(0.35 * z), math.exp(-z * z / 8)) for z in range(-6, 10)
)
# Wander that comes back within two hours, g, of one cell in five: 0.22 g within an hour was seen.
_RETURNS_S, _RETURNS = 7200.0, ((0.0, 0.8), (0.1, 0.05), (0.2, 0.1), (0.35, 0.05))
# How late the zero follows the air: by minutes, or in a steel mount by hours; any mixture of these,
# each with so much of what is said of it. And that is known to its order only: specimens are spread
# by 0.8 on a logarithmic scale, so it may be several times as much (judgement).
_LAGS_S, _OF_A_LAG, _ZEROS = (1200.0, 3600.0, 10800.0), 0.7, ((1.0, 0.6), (3.0, 0.4))
# How far a body is behind the air when the run begins, °C (judgement).
_BEHIND_C = 1.5
_LEAST_G2 = 1e-10
# Means of twenty minutes, of long runs longer ones. A reading so many standard deviations off is a
# spike; 1.4826 times the median of what is off estimates one.
_MEAN_S, _MOST_MEANS, _FAR, _SD_OF_MEDIAN = 1200.0, 72, 5.0, 1.4826


@dataclass(frozen=True, slots=True)
class Record:
    """Means along a run, (n,), each over lasts_s: time in s, reading in g, air in °C, loss expected
    so far in g, and the white variance of the reading.
    """

    t_s: Floats
    mass_g: Floats
    air_c: Floats
    lost_g: Floats
    white_g2: Floats
    lasts_s: float


def averaged(
    t_s: Floats, mass_g: Floats, air_c: Floats, lost_g: Floats, resolution_g: float
) -> Record:
    """Means over twenty minutes or more of rows (n,) without gaps; spikes are left out."""
    steps_g = np.diff(np.unique(np.round(mass_g, 4)))
    quantum_g = max(resolution_g, float(steps_g.min()) if len(steps_g) else 0.0)
    jump_g = float(np.median(np.abs(np.diff(mass_g))))
    white_g = max(_SD_OF_MEDIAN * jump_g / math.sqrt(2.0), quantum_g / math.sqrt(12.0))
    near = np.abs(mass_g - _smooth(mass_g)) <= _FAR * white_g
    span_s = float(t_s[-1] - t_s[0])
    count = int(np.clip(span_s // _MEAN_S, 1, _MOST_MEANS))
    block = np.minimum((t_s - t_s[0]) * count // span_s, count - 1)[near]
    rows = np.column_stack((t_s, mass_g, air_c, lost_g))[near]
    means = [
        # Where the noise is less than a step of the reading, means are no finer than it.
        (*some.mean(axis=0), white_g**2 / len(some) + quantum_g**2 / 12)
        for some in np.split(rows, np.flatnonzero(np.diff(block)) + 1)
    ]
    by_time_s, by_mass_g, by_air_c, by_lost_g, white_g2 = np.array(means).T
    return Record(by_time_s, by_mass_g, by_air_c, by_lost_g, white_g2, span_s / count)


def _smooth(mass_g: Floats) -> Floats:
    """Running median of five readings."""
    around = np.concatenate((mass_g[2:0:-1], mass_g, mass_g[-2:-4:-1]))
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(around, 5), axis=1))


def fitted(record: Record, zero_g_per_c: float) -> Measured:
    """How many times the expected loss is what the record lost.

    zero_g_per_c: what is said of the zero's shift with temperature (one standard deviation).
    """
    line = np.column_stack((np.ones_like(record.lost_g), -record.lost_g))
    since_s = record.t_s - record.t_s[0]
    # A mean has a sixth of its time's walk less than a reading in its middle.
    walked_s = np.minimum.outer(since_s, since_s) + record.lasts_s / 2
    walked_h = (walked_s - record.lasts_s / 6 * np.eye(len(since_s))) / 3600.0
    returning = np.exp(-np.abs(np.subtract.outer(since_s, since_s)) / _RETURNS_S)
    crept = _CREEP_G * np.exp(-since_s / _CREEP_S)
    known = np.diag(record.white_g2 + _LEAST_G2) + np.outer(crept, crept)
    zero = sum(np.outer(c, c) for lag_s in _LAGS_S for c in _bodies_c(record, lag_s))
    fits = []
    for (times, seen), (walk_g, often), (sd_g, share) in product(_ZEROS, _WALKS, _RETURNS):
        noise = known + (_OF_A_LAG * times * zero_g_per_c) ** 2 * zero
        noise += walk_g**2 * walked_h + sd_g**2 * returning
        fits.append((math.log(seen * often * share), *_line(noise, line, record.mass_g)))
    prior, likelihood, scale, variance = np.array(fits).T
    weight = np.exp(prior + likelihood - (prior + likelihood).max())
    weight /= weight.sum()
    best = float(weight @ scale)
    return Measured(best, math.sqrt(float(weight @ (variance + (scale - best) ** 2))))


def _line(noise: Floats, line: Floats, mass_g: Floats) -> tuple[float, float, float]:
    """Restricted log likelihood, factor on the loss and its variance, for one kind of cell."""
    columns = np.column_stack((line, mass_g))
    weighed = columns.T @ np.linalg.solve(noise, columns)
    information, seen = weighed[:2, :2], weighed[:2, 2]
    covariance = np.linalg.inv(information)
    best = covariance @ seen
    spread = np.linalg.slogdet(noise)[1] + np.linalg.slogdet(information)[1]
    off = weighed[2, 2] - best @ seen
    return -0.5 * float(spread + off), float(best[1]), float(covariance[1, 1])


def _bodies_c(record: Record, lag_s: float) -> tuple[Floats, Floats]:
    """What a body that follows the air so late gains in warmth, and what it may still have to."""
    body_c = [float(record.air_c[0])]
    for seconds, now_c in zip(np.diff(record.t_s).tolist(), record.air_c[1:].tolist(), strict=True):
        body_c.append(lagged(body_c[-1], now_c, seconds, lag_s))
    still = np.exp(-(record.t_s - record.t_s[0]) / lag_s)
    return np.array(body_c) - body_c[0], _BEHIND_C * still
