"""How drops go on after the feed is shut, by cause.

A bowl joint drips on from its bowl's own content; a crack of the overflow tube drips ever slower
until the level has sunk to it; a rail joint and a needle end with what the hose gives up. How deep
joints and cracks lie is workshop judgement (common practice, no source); that flow through a gap
falls with the head, and through a crack with its square, is laminar flow: head and wet height both
fall. (A slit 4 mm high that leaks 500 g a day is 0.07 mm wide, Reynolds number 5.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import DRIES_G_PER_H, DROP_TO_DROP_LOG_SD, USUAL_DROP_G
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Cause

# The time with the feed shut is cut into so many.
PARTS = effort(4, "parts")
# Fuel that lies above the gap, in a bowl of common size, and the power of the head in its flow.
ABOVE_G: dict[Cause, tuple[tuple[float, ...], float]] = judgement(
    {
        Cause.BOWL_JOINT_WEEP: ((7.0, 14.0, 28.0), 1.0),
        Cause.OVERFLOW_TUBE_CRACK: ((0.9, 1.8, 3.5, 7.0), 2.0),
    },
    "g",
)
# Shares of its flow with which what the feed drives goes on at the little head of a shut hose, for
# as long as the hose gives anything: gaps pass laminar flow, an open needle turbulent.
_SLOWED: dict[Cause, tuple[float, ...]] = judgement(
    {
        Cause.RAIL_JOINT_WEEP: (0.0, 0.1),
        Cause.NEEDLE_WEEP: (0.0, 0.1),
        Cause.NEEDLE_STUCK_OPEN: (0.0, 0.1, 0.3),
    },
    "share",
)
# A wet patch dries by such shares of what a drop in the open loses, before anything drips (with the
# chance of each): what drips then falls faster than what leaks (judgement).
_DRIES = judgement(((0.0, 0.4), (0.4, 0.35), (1.25, 0.25)), ("share", "weight"))
# Share of the hose's fuel that it gives up once the feed is shut (with the chance of each): shut at
# its top it hangs as in a straw, unless air gets in somewhere.
_HOSE_GIVES = judgement(((0.04, 0.85), (1.0, 0.15)), ("share", "weight"))
# Relative sd of a rate that follows temperature; half a drop hangs at each end.
_RATE_REL_SD = judgement(0.08, "rel. sd")
_HANGS = judgement(0.4, "drops")
_STRAY_DROPS = judgement(0.1, "drops")
_ANYTHING = judgement(1e-3, "chance")
# A drop's time is known to about half a row.
_ROW_H = effort(0.5 / 3600, "h")
_OFFS = effort(np.linspace(-2.5, 2.5, 21), "sd")
_OFFS_WEIGHT = np.exp(-0.5 * _OFFS**2) / np.exp(-0.5 * _OFFS**2).sum()
_STEPS = effort(8 * PARTS, "steps")
# So many drops that did not come are the end of a leak.
_SILENT_DROPS = judgement(12, "drops")
# What has to get out, or not, until the causes can be told apart: enough for a crack to run dry.
_AT_A_GATE_G = judgement(3.0, "g")
_UNSEEN_G = judgement(0.3, "g")
_LONGEST_S = judgement(6 * 3600.0, "s")


@dataclass(frozen=True, slots=True)
class Shut:
    """Drops at a gate before and after the feed was shut.

    drops_before in hours_before; hours: how long it has been shut; parts: drops in each of `PARTS`
    equal parts of that time; drop_g: mass of a drop; evaporates_g_per_h: from this bowl; hose_g:
    what the hose holds.
    """

    drops_before: int
    hours_before: float
    hours: float
    parts: tuple[int, ...]
    drop_g: float
    evaporates_g_per_h: float
    hose_g: float


def telling_s(leak_g_per_h: float, *, seen: bool, left_s: float) -> float:
    """How long to watch with the feed shut; seen: by a gate, that can tell how drops go on.

    left_s: what is left of the time that was set aside for the soak; a slow leak may have it all.
    """
    wanted_g = _AT_A_GATE_G if seen else _UNSEEN_G
    return min(3600 * wanted_g / max(leak_g_per_h, 1e-6), max(_LONGEST_S, left_s))


def stopped(silent_s: float, leak_g_per_h: float) -> bool:
    """Whether a leak that has not dripped for silent_s has stopped."""
    return silent_s * leak_g_per_h / 3600 > _SILENT_DROPS * USUAL_DROP_G


def likelihood(cause: Cause, shut: Shut) -> float:
    """Chance of the drops seen with the feed shut, over what their rate may have been before."""
    timing = _ROW_H / shut.hours_before
    surely = np.sqrt(DROP_TO_DROP_LOG_SD**2 / shut.drops_before + _RATE_REL_SD**2 + timing**2)
    before = shut.drops_before * shut.drop_g / shut.hours_before * np.exp(_OFFS * surely)
    total = 0.0
    for share_dried, weight in _DRIES:
        dried = share_dried * DRIES_G_PER_H
        for shares, dripping in _dripping(cause, shut, before, dried):
            chance = _chance(shut, dripping / shut.drop_g, 1 + dried / before)
            total += weight * float(shares @ (chance @ _OFFS_WEIGHT))
    return total + _ANYTHING**PARTS


def _dripping(
    cause: Cause, shut: Shut, before: Floats, dried: float
) -> Iterator[tuple[Floats, Floats]]:
    """Weights (V,) and (V, R, PARTS) g that drip in each part, of the variants of the cause.

    before: (R,) rates before the feed was shut, g/h.
    """
    for gives, weight in _HOSE_GIVES:
        spare_g = gives * shut.hose_g
        if cause in _SLOWED:
            variants = np.array(_SLOWED[cause])[:, None]
            dripping = _running_out(shut, variants * before, spare_g)
        else:
            above_g, power = ABOVE_G[cause]
            variants = np.array(above_g)[:, None]
            dripping = _sinking(shut, before, dried, (variants, power), spare_g)
        yield np.full(len(variants), weight / len(variants)), dripping


def _running_out(shut: Shut, rate: Floats, spare_g: float) -> Floats:
    """(V, R, PARTS) g that drip at rate (V, R) g/h until spare_g is out."""
    hours = np.arange(PARTS + 1) * shut.hours / PARTS
    return np.diff(np.minimum(rate[..., None] * hours, spare_g), axis=-1)


def _sinking(
    shut: Shut, before: Floats, dried: float, gap: tuple[Floats, float], spare_g: float
) -> Floats:
    """(V, R, PARTS) g that drip as the bowl sinks by what leaks and evaporates beyond spare_g.

    gap: fuel above it (V, 1) in g, and the power of the head in its flow.
    """
    above_g, power = gap
    step_h = shut.hours / _STEPS
    gone = np.full((len(above_g), len(before)), -spare_g)
    drips = np.zeros((*gone.shape, _STEPS))
    for step in range(_STEPS):
        head = np.minimum(np.maximum(1 - gone / above_g, 0.0), 1.0)
        leaks = (before + dried) * head**power
        drips[..., step] = np.maximum(leaks - dried, 0.0) * step_h
        gone = gone + (leaks + shut.evaporates_g_per_h) * step_h
    return np.asarray(drips.reshape(*gone.shape, PARTS, -1).sum(axis=-1))


def _chance(shut: Shut, expected: Floats, wetter: Floats) -> Floats:
    """(V, R) chance of the counts, of expected (V, R, PARTS) drops; wetter: leak over dripping."""
    systematic = _RATE_REL_SD * wetter[:, None] * expected
    variance = _HANGS**2 + DROP_TO_DROP_LOG_SD**2 * expected + systematic**2 + _STRAY_DROPS
    counted = np.array(shut.parts)
    near = np.exp(-0.5 * (counted - expected) ** 2 / variance) / np.sqrt(2 * np.pi * variance)
    return np.asarray((near + _ANYTHING).prod(axis=-1))
