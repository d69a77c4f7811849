"""Does a drip breathe with the sips of its bowl's needle?

A float needle lets its bowl sink by tenths of a millimetre before it opens again. What leaks
through a crack of the overflow tube, a few millimetres below the level, falls meanwhile by some
percent and jumps back with the sip; a joint deeper down hardly feels it; what the feed drives does
not feel it at all. When a sip falls is known: whenever the bowl has lost as much again, by drops,
evaporation and shrinking; only how large a sip is, is not. So the logarithm of the drip rate,
against what the bowl has lost, is held against saw teeth of every period, the height of which goes
with the period. How deep cracks and joints lie is `decay`'s; that their flow goes with the square
of the head over a crack and with the head over a joint is laminar flow through a slit and a gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import DROP_TO_DROP_LOG_SD
from soakmon.watch.decay import ABOVE_G
from soakmon.watch.needles import LARGEST_SIP_G, LEAST_SIP_G
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Cause

# Fewer drops tell nothing, more take time; fewer sips are not told from a rate that changes.
_LEAST_DROPS = judgement(20, "drops")
_MOST_DROPS = effort(2000, "drops")
_LEAST_SIPS = judgement(6.0, "sips")
# A gap this far from the usual one (logarithm) is a missed drop or a stray one.
_ODD = judgement(0.35, "log.")
# The trend of a drip is its mean over so many: of waves longer than that share it takes too much.
_TREND_DROPS = judgement(61, "drops")
_TREND_LEAVES = judgement(0.55, "share")
# So many drops, some dozens of sips, are taken to keep in step.
_IN_STEP_DROPS = judgement(300, "drops")
# The rhythm of a needle is looked for with so many harmonics, at so many phases.
_HARMONICS = effort(np.arange(1, 4), "harmonics")
_PHASES: Floats = effort(np.arange(16) / 16, "turns")
# Turns at the end of the record between two periods that are tried; width of the bins that the
# drops are put in, g: a fortieth of the least sip.
_TURNS_APART = effort(0.4, "turns")
_BIN_G = effort(1e-3, "g")
# Faster than this drops cannot tell a rhythm.
_NYQUIST = effort(0.4, "1/drop")


@dataclass(frozen=True, slots=True)
class Drip:
    """(n,) logarithm of the drip rate about its trend, and what the bowl had lost by then, g."""

    log_rate: Floats
    lost_g: Floats


def drip(times_s: Floats, counts: Floats, drop_g: float, need_s: Floats, need_g: Floats) -> Drip:
    """The drip of a gate. times_s, counts: (n,) of the drops, in order.

    need_s, need_g: (m,) what else the bowl had lost by when: evaporated and shrunk.
    """
    times_s, counts = times_s[-_MOST_DROPS - 1 :], counts[-_MOST_DROPS - 1 :]
    if len(times_s) <= _LEAST_DROPS:
        return Drip(np.zeros(0), np.zeros(0))
    gaps = np.diff(times_s) / counts[1:]
    gaps /= np.median(gaps)
    log_rate = np.clip(-np.log(np.maximum(gaps, 1e-3)), -_ODD, _ODD)
    middle_s = (times_s[1:] + times_s[:-1]) / 2
    dripped_g = drop_g * (np.cumsum(counts[1:]) - counts[1:] / 2)
    lost_g = dripped_g + np.interp(middle_s, need_s, need_g)
    return Drip(log_rate - _trend(log_rate), lost_g)


def _trend(values: Floats) -> Floats:
    """Running mean over a third of the drops, or as many as make a few sips."""
    width = min(_TREND_DROPS, len(values) // 3) // 2
    padded = np.pad(values, width, mode="reflect")
    return np.convolve(padded, np.full(2 * width + 1, 1 / (2 * width + 1)), mode="valid")


def likelihood(cause: Cause, drip: Drip) -> float:
    """Chance of the drip under a cause over that of a rate that no sip moves."""
    if cause not in ABOVE_G or not len(drip.log_rate):
        return 1.0
    parts = _parts(drip)
    span_g = min(float(part.lost_g[-1] - part.lost_g[0]) for part in parts)
    step_g = float(np.median(np.diff(drip.lost_g)))
    # Sips per gram: enough of them in the record, each of more than two drops.
    slowest_g = min(LARGEST_SIP_G, _TREND_LEAVES * _TREND_DROPS * step_g)
    fewest = max(1 / max(slowest_g, 1e-6), _LEAST_SIPS / max(span_g, 1e-6))
    most = min(1 / LEAST_SIP_G, _NYQUIST / max(step_g, 1e-6))
    if most <= fewest:
        return 1.0
    log_range = float(np.log(most / fewest) / np.log(LARGEST_SIP_G / LEAST_SIP_G))
    apart = _TURNS_APART / span_g
    at = np.arange(int(np.ceil(fewest / apart)), int(most / apart) + 1)
    per_g: Floats = at * np.float64(apart)
    # A gap is the mean of its time: it does not show all of a fast wave.
    order = _HARMONICS[:, None]
    shown = np.sinc(order * per_g * step_g) / (np.pi * order)
    waves = [_waves(part, apart, 3 * at[-1] + 1)[np.outer(_HARMONICS, at)] for part in parts]
    above_g, power = ABOVE_G[cause]
    better = np.zeros((len(above_g), len(at)))
    for row, above in enumerate(above_g):
        height = np.minimum(power / (per_g * above), 1.0) * shown
        better[row] = sum(
            _better(part, wave, height) for part, wave in zip(parts, waves, strict=True)
        )
    weight = 1 / per_g / (1 / per_g).sum()
    return log_range * float(np.mean(np.exp(np.minimum(better, 600.0)) @ weight)) + (1 - log_range)


def _parts(drip: Drip) -> list[Drip]:
    """Pieces with a phase of their own: sips are not all of one size, and get out of step."""
    count = -(-len(drip.log_rate) // _IN_STEP_DROPS)
    pieces = zip(
        np.array_split(drip.log_rate, count), np.array_split(drip.lost_g, count), strict=True
    )
    return [Drip(*piece) for piece in pieces]


def _waves(drip: Drip, apart: float, count: int) -> NDArray[np.complex128]:
    """Fourier sums of the log rate over what the bowl had lost, at `count` multiples of apart."""
    size = max(round(1 / (apart * _BIN_G)), count)
    turns = (drip.lost_g - drip.lost_g[0]) * apart
    place = np.rint(turns * size).astype(int) % size
    return np.asarray(np.fft.fft(np.bincount(place, weights=drip.log_rate, minlength=size)))


def _better(drip: Drip, waves: NDArray[np.complex128], height: Floats) -> Floats:
    """(F,) log-likelihood ratio of saw teeth with harmonics of this height (3, F), of any phase.

    waves: (3, F). The scatter of the drops is unknown: its square is integrated out, which leaves a
    power of the residual sum of squares.
    """
    log_rate, count = drip.log_rate, len(drip.log_rate)
    shifts = np.exp(-2j * np.pi * np.outer(_HARMONICS, _PHASES))
    along = np.imag(np.einsum("kf,kp->fp", height * waves.conj(), shifts))
    gain = along - (count * height**2 / 4).sum(axis=0)[:, None]
    scatter = max(float(log_rate @ log_rate), count * DROP_TO_DROP_LOG_SD**2)
    ratio = -0.5 * count * np.log(np.maximum(1 - 2 * gain / scatter, 1e-3))
    top = ratio.max(axis=1)
    return np.asarray(top + np.log(np.exp(ratio - top[:, None]).mean(axis=1)))
