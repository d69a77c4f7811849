"""Whether the feed is shut, told by the bottle's mass, for each way in which it must shut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

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
        said = f"{self.open_g_per_min:.1f} g/min open, {self.shut_g_per_min:.1f} g/min after"
        if not self.seen:
            return f"{said}: too little flowed to tell: open the end of the hose further"
        return said + ("" if self.shuts else ": IT DOES NOT SHUT: do not use this valve")


def lost_after_cut(lost_g: float, open_g_per_min: float) -> FlowRates:
    """The same of a power cut, over which nobody could look: what ran within SHUTS_WITHIN_S is
    allowed for, and the rest is taken as having run for a minute.
    """
    allowed_g = open_g_per_min * SHUTS_WITHIN_S / 60
    return FlowRates(open_g_per_min, max(lost_g - allowed_g, 0.0))


def falls_g_per_min(times_s: Sequence[float], masses_g: Sequence[float]) -> float:
    """How fast a mass falls: the slope through two readings or more at times in s."""
    times = np.asarray(times_s)
    return -60 * float(np.polyfit(times - times[0], masses_g, 1)[0])
