"""Bowls that a fill was short of, and that fill late: at once, or by a trickle of hours.

A needle sticks and lets go, or lets fuel in through dirt. What is still missing of the described
rack excuses what leaves the bottle by itself and ends within it; more than that, or what drops out
under the bowls, is none of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from soakmon.physics.belief import effort, judgement
from soakmon.watch.flow_log import FlowLog
from soakmon.watch.rack_content import RackContent
from soakmon.watch.thin_flow import BACK_S, LONGEST_S, ThinFlow, drips

# What flows at the pace of such a bowl for so long may be the beginning of it.
_BEGINS = effort(4, "minutes")
# Nothing much flows any more when so much of it is yet to go.
_REST = judgement(0.05, "share")
_REST_G = judgement(0.2, "g")
# So much must have gone: a cell of coarse digits goes down by one of them in minutes.
_SHOWS_G = judgement(2.0, "g")
# A bowl that has begun to fill is missing as long as it lacks this share.
_STILL = judgement(0.2, "share")
# Told from this share of a bowl on, and so long after the fill: before that it is the fill, which
# stopped and went on.
_TOLD = judgement(0.3, "share")
_AFTER_S = judgement(900.0, "s")


@dataclass(frozen=True, slots=True)
class LateFill:
    """Fuel that went into the rack late: between two times, s, so many grams."""

    since_s: float
    until_s: float
    took_g: float


class LateBowl:
    """What a rack still takes after a fill that was short of a bowl or more.

    spare_g: what may still go in, 0 where no bowl is missing; fills: what has gone in late.
    """

    def __init__(self, content: RackContent, bowl_g: float) -> None:
        self.content, self.bowl_g = content, bowl_g
        self.flow = ThinFlow(bowl_g)
        self.spare_g = 0.0
        self.fills: list[LateFill] = []
        self.settled_s = self.settled_g = math.nan
        self.first_s = math.inf
        # For how long it has trickled in all, up to when.
        self.trickled_s, self.looked_s = 0.0, -math.inf

    def settled(self, t_s: float, mass_g: float, taken_g: float) -> None:
        """A fill has ended, with so much taken in all."""
        short = self.bowl_g > 0 and self.content.bowls_short(taken_g, self.bowl_g) > 0
        # One that has begun to fill and stops may go on.
        short |= self.spare_g > 0 and self.content.missing_g(taken_g) > _STILL * self.bowl_g
        short &= self.trickled_s <= LONGEST_S
        self.spare_g = self.content.missing_with_error_g(taken_g) if short else 0.0
        self.settled_s, self.settled_g = t_s, mass_g
        self.first_s = min(self.first_s, t_s)
        self.flow.stop()

    def begins(self, log: FlowLog) -> bool:
        """Whether fuel leaves as it does when such a bowl begins to fill."""
        pace = log.mean_g_per_min(_BEGINS) if len(log) else 0.0
        begins = self.spare_g > 0 and pace >= self.flow.least_g_per_min
        return begins and not drips(log, pace, _BEGINS)

    def step(self, log: FlowLog, *, falls: bool) -> bool:
        """Whether a bowl that is missing fills slowly; falls: it drops out under the bowls."""
        now = log.minutes[-1]
        if self.spare_g <= 0 or now.t_s - self.settled_s < BACK_S:
            return False
        flowed_s, from_g = self.flow.since_s, self.flow.from_g
        self.flow.step(log, falls=falls)
        if self.flow.flows:
            self.trickled_s += now.t_s - max(self.flow.since_s, self.looked_s)
            self.looked_s = now.t_s
            gone_g = max(self.settled_g, self.flow.from_g) - now.mass_g
            if gone_g > self.spare_g or self.trickled_s > LONGEST_S:
                # No bowl takes so much, or so long: whatever leaves is no fill.
                self.spare_g = 0.0
                self.flow.stop()
        elif math.isfinite(flowed_s) and not falls:
            self.ended(log, flowed_s, from_g)
        return self.flow.flows and self.flow.from_g - now.mass_g > _SHOWS_G

    def ended(self, log: FlowLog, since_s: float, from_g: float) -> None:
        """Fuel went in late, from a time and a mass on; told where it is much, and not the fill."""
        mass_g = log.minutes[-1].mass_g
        took_g = from_g - mass_g
        late = since_s > self.first_s + _AFTER_S or log.minutes[-1].t_s > self.first_s + 2 * BACK_S
        if late and _TOLD * self.bowl_g < took_g < self.spare_g:
            until_s = log.last_above_s(mass_g + _REST * took_g + _REST_G)
            self.fills.append(LateFill(since_s, max(until_s, since_s), took_g))
