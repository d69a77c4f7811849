"""How drops go on after the feed is shut, by cause.

A bowl joint drips on from its bowl's own content; a crack of the overflow tube drips ever slower
until the level has sunk to it; a rail joint and a needle end soon. How much goes on is workshop
judgement (common practice, no source); that a crack's flow falls with the level to the power 1.5 is
a weir's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soakmon.watch.verdict import Cause

# Share of the flow that goes on in the first and the second half of the time shut.
_GOES_ON: dict[Cause, tuple[tuple[float, float], ...]] = {
    Cause.BOWL_JOINT_WEEP: ((1.0, 1.0), (0.95, 0.9), (0.85, 0.75)),
    Cause.RAIL_JOINT_WEEP: ((0.25, 0.05), (0.1, 0.1), (0.03, 0.0)),
}
_ENDS = ((0.1, 0.0), (0.0, 0.0))
# How far below the level a crack may be, as fuel above it in a bowl of common size.
_ABOVE_CRACK_G = (0.9, 1.8, 3.5, 7.0)
_STRAY_DROPS = 0.3
_TELLING = 80.0
_ANYTHING = 1e-3
# Drops come regularly: a few tell the rate as well as this many times as many at random would.
_REGULAR, _SUREST = 4.0, 40.0
_RATES = np.linspace(-2.5, 2.5, 21)
# What has to get out, or not, until the causes can be told apart: enough for a crack to run dry.
_AT_A_GATE_G, _UNSEEN_G, _LONGEST_S = 3.0, 0.3, 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Shut:
    """Drops at a gate before and after the feed was shut.

    drops_before in hours_before; hours: how long it has been shut; first, second: drops in the
    halves of that time; drop_g: mass of a drop.
    """

    drops_before: int
    hours_before: float
    hours: float
    first: int
    second: int
    drop_g: float


def telling_s(leak_g_per_h: float, *, seen: bool) -> float:
    """How long to watch with the feed shut; seen: by a gate, that can tell how drops go on."""
    wanted_g = _AT_A_GATE_G if seen else _UNSEEN_G
    return min(3600 * wanted_g / max(leak_g_per_h, 1e-6), _LONGEST_S)


def likelihood(cause: Cause, shut: Shut) -> float:
    """Chance of the drops seen with the feed shut, over what their rate may have been before."""
    surely = min(_REGULAR * shut.drops_before, _SUREST)
    weights = np.exp(-0.5 * _RATES**2)
    total = 0.0
    for off, weight in zip(_RATES.tolist(), (weights / weights.sum()).tolist(), strict=True):
        rate = shut.drops_before / shut.hours_before * math.exp(off / math.sqrt(surely))
        total += weight * _at_rate(cause, shut, rate * shut.hours)
    return total + _ANYTHING**2


def _at_rate(cause: Cause, shut: Shut, expected: float) -> float:
    """expected: drops had nothing changed."""
    shares = _GOES_ON.get(cause, _ENDS)
    if cause is Cause.OVERFLOW_TUBE_CRACK:
        shares = tuple(_sinking(expected * shut.drop_g, above_g) for above_g in _ABOVE_CRACK_G)
    # Shares are not known to a few percent: a thousand drops tell no more than a handful.
    scale = min(1.0, _TELLING / max(expected, shut.first + shut.second, 1e-9))
    half = 0.5 * scale * expected
    chances = [
        _poisson(half * first + _STRAY_DROPS, round(scale * shut.first))
        * _poisson(half * second + _STRAY_DROPS, round(scale * shut.second))
        for first, second in shares
    ]
    return sum(chances) / len(chances)


def _sinking(expected_g: float, above_g: float) -> tuple[float, float]:
    """Shares of the flow over a weir that sinks as it flows, its rate as level^1.5."""
    if expected_g <= 0:
        return 1.0, 1.0
    half = above_g * (1 - (1 + expected_g / (4 * above_g)) ** -2)
    whole = above_g * (1 - (1 + expected_g / (2 * above_g)) ** -2)
    return 2 * half / expected_g, 2 * (whole - half) / expected_g


def _poisson(mean: float, count: int) -> float:
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))
