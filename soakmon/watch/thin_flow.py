"""Fuel that leaves the bottle thinly and steadily: a rack that fills through a kink or a clog.

A fast fill shows within minutes. This one takes hours, and no look back over minutes finds where
it began.
"""

from __future__ import annotations

import math

from soakmon.physics.belief import effort, judgement
from soakmon.watch.flow_log import FlowLog

# No evaporation, creep or draught goes on at this pace; a thinner fill than this takes five hours.
THIN_G_PER_MIN = judgement(0.4, "g/min")
# It is the middle one of the losses between so many readings.
_OVER = effort(10, "readings")


class ThinFlow:
    """Since when fuel has flowed, s, and what the bottle weighed then, g; NaN while none flows.

    g_per_min: the pace by the last readings.
    """

    def __init__(self) -> None:
        self.since_s = self.from_g = math.nan
        self.g_per_min = 0.0

    @property
    def flows(self) -> bool:
        """Whether fuel flows."""
        return math.isfinite(self.since_s)

    def step(self, log: FlowLog, *, falls: bool) -> None:
        """Look at the log after a reading; falls: it drops out under the bowls, and fills none."""
        self.g_per_min = log.middle_g_per_min(_OVER)
        if falls or self.g_per_min < THIN_G_PER_MIN:
            self.since_s = self.from_g = math.nan
        elif not self.flows:
            self.since_s = log.minutes[-_OVER - 1].t_s
            self.from_g = log.highest_g(_OVER + 1)
