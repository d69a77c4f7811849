"""How a float needle feeds its bowl: by sips, of what the level has fallen since the last one."""

from __future__ import annotations

import math
from collections.abc import Sequence

from soakmon.physics.belief import judgement
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import Bowl

# How far the level falls between two sips: 0.05 to 0.3 mm (judgement), so what a bowl is short of
# is this on average, with this spread, and this at most.
_SHORT_MM = judgement(0.09, "mm")
_SHORT_SD_MM = judgement(0.095, "mm")
_MOST_SHORT_MM = judgement(0.3, "mm")
# One sip of any bowl that is met with, at least and at most (judgement; logarithmically uniform),
# and in the middle.
LEAST_SIP_G = judgement(0.04, "g")
LARGEST_SIP_G = judgement(0.6, "g")
COMMON_SIP_G = math.sqrt(LEAST_SIP_G * LARGEST_SIP_G)
# A bench without bowls still has a place that fuel is drawn to.
_LEAST_SHORT_G = judgement(0.01, "g")


def short_g(bowls: Sequence[Bowl], fuel: Fuel) -> tuple[float, float]:
    """What all bowls together are short of between two sips, g: on average, and its sd."""
    g_per_mm3 = 1e-6 * fuel.density_15c_kg_per_m3
    short = max(g_per_mm3 * _SHORT_MM * sum(bowl.area_mm2 for bowl in bowls), _LEAST_SHORT_G)
    return short, _SHORT_SD_MM / _SHORT_MM * short / math.sqrt(max(len(bowls), 1))


def most_short_g(short: float) -> float:
    """What they are short of at most, g, where it is `short` on average."""
    return short / _SHORT_MM * _MOST_SHORT_MM


def rise_g(bowl: Bowl, fuel: Fuel) -> float:
    """Fuel that lifts the level of a bowl from shut-off to the overflow lip, g."""
    return 1e-6 * bowl.area_mm2 * bowl.headroom_mm * fuel.density_15c_kg_per_m3
