"""Whether the feed is shut, told by the bottle's mass, for each way in which it must shut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soakmon.texts import say

# A closing valve and a hose that runs empty take this long.
SHUTS_WITHIN_S = 4.0
# Less than a tenth of the open flow, and less than a drop a second, is a valve that drips.
_SHARE, _DRIPS_G_PER_MIN = 0.1, 1.0
LEAST_OPEN_G_PER_MIN = 5.0


@dataclass(frozen=True, slots=True)
class FlowRates:
    """Grams a minute with the feed open, and after it had to shut."""

    open_g_per_min: float
    shut_g_per_min: float

    @property
    def seen(self) -> bool:
        """Whether enough flowed to tell open from shut."""
        return self.open_g_per_min >= LEAST_OPEN_G_PER_MIN

    @property
    def shuts(self) -> bool:
        """Whether it shut."""
        most = max(_SHARE * self.open_g_per_min, _DRIPS_G_PER_MIN)
        return self.seen and self.shut_g_per_min <= most

    def text(self) -> str:
        """In words, with what to do."""
        rates = {"open": f"{self.open_g_per_min:.1f}", "shut": f"{self.shut_g_per_min:.1f}"}
        if not self.seen:
            return say("flow.too_little", **rates)
        return say("flow.shuts" if self.shuts else "flow.stays_open", **rates)


def falls_g_per_min(times_s: Sequence[float], masses_g: Sequence[float]) -> float:
    """How fast a mass falls by two readings or more at times in s: the median slope of all pairs
    (Theil and Sen), which the cell's single wild readings do not move.
    """
    times, masses = np.asarray(times_s), np.asarray(masses_g)
    first, other = np.triu_indices(len(times), 1)
    apart_s = times[other] - times[first]
    slopes = (masses[other] - masses[first])[apart_s > 0] / apart_s[apart_s > 0]
    return -60 * float(np.median(slopes)) if len(slopes) else 0.0
