"""Fuel that leaves the bottle thinly and steadily: a rack, or a bowl, that fills through a clog.

A fast fill shows within minutes. This one takes hours, and no look back over minutes finds where
it began.
"""

from __future__ import annotations

import math

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import USUAL_DROP_G
from soakmon.watch.averaging import STEP_S
from soakmon.watch.flow_log import FlowLog

# What fills has filled after so long, or it is no fill: that sets how thin a flow is one.
LONGEST_S = judgement(5 * 3600.0, "s")
# It ends at that share of the pace of such a fill.
_ENDS = judgement(0.5, "times")
# It is the middle one of so many losses, each over so many minutes: a hand moves few of them.
_OVER = effort(13, "losses")
_EACH = effort(4, "minutes")
_BACK = _OVER + _EACH
BACK_S = 60.0 * _BACK
# It stands out of the scatter of the minutes' own losses, of which the middle one scatters less
# (judgement).
_OF_SCATTER = judgement(0.5, "share")
# What drops out under the bowls by that share of it fills none.
_DRIPS = judgement(0.25, "share")


def drips(log: FlowLog, g_per_min: float, minutes: int) -> bool:
    """Whether what flows at such a pace drops out under the bowls: it fills none."""
    return log.dropped(minutes) * USUAL_DROP_G > _DRIPS * max(g_per_min, 0.0) * minutes


class ThinFlow:
    """Since when fuel has flowed, s, and what the bottle weighed then, g; NaN while none flows.

    takes_g: what it would fill; g_per_min: the pace by the last readings; least_g_per_min: of a
    thinner one nobody waits for the end.
    """

    def __init__(self, takes_g: float) -> None:
        self.least_g_per_min = takes_g / LONGEST_S * 60
        self.since_s = self.from_g = math.nan
        self.g_per_min = 0.0

    @property
    def flows(self) -> bool:
        """Whether fuel flows."""
        return math.isfinite(self.since_s)

    def step(self, log: FlowLog, *, falls: bool) -> None:
        """Look at the log after a reading; falls: it drops out under the bowls, and fills none."""
        self.g_per_min = log.middle_g_per_min(_OVER, _EACH)
        if falls or drips(log, self.g_per_min, _BACK):
            self.stop()
        elif self.flows:
            if self.g_per_min < _ENDS * self.least_g_per_min:
                self.stop()
        elif self.g_per_min >= max(self.least_g_per_min, _OF_SCATTER * log.scatter_g_per_min):
            self.from_g = log.highest_g(_BACK)
            # It began when the last of what it makes in a minute was still there.
            self.since_s = log.last_above_s(self.from_g - self.g_per_min) + STEP_S

    def stop(self) -> None:
        """Nothing flows."""
        self.since_s = self.from_g = math.nan
