"""The fill of a rack as the bottle's mass shows it: since when, how fast, how much, and what the
rack may still take.

What flows is followed minute by minute, whether it is a fill or not; `filling` says which.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.averaging import Average
from soakmon.watch.flow_log import STAYS, FlowLog
from soakmon.watch.late_bowl import LateBowl
from soakmon.watch.rack_content import RackContent
from soakmon.watch.thin_flow import ThinFlow

# A full rack that is opened again tops up within minutes what hose and bowls had lost.
TOPPED_UP_G = judgement(0.3, "g")
# So late a tap may be opened, so long a slow fill may last, and a fill that has stopped may go on
# so long after it was found.
MAY_GO_ON_S = judgement(4 * 3600.0, "s")
# A flow ends below this, or below that share of what it has been at its strongest.
FLOW_ENDS_G_PER_MIN = judgement(1.0, "g/min")
_FLOW_ENDS_SHARE = judgement(0.25, "share")
# While less than this share of the described rack is in, what flows fast is still the fill.
_WHOLE = judgement(0.95, "share")
GOES_ON_G_PER_MIN = judgement(3.0, "g/min")
# A trickle goes on at that share of the pace that it had (judgement).
_SLOWER = judgement(0.5, "times")
_GOES_ON_SHARE = judgement(0.1, "share")
# Measured bowls, and a hose that was not, hold no more than so many times what they should.
_SURELY = judgement(1.2, "times")
# What floods through a full rack flows evenly for so many minutes, to this share.
_EVEN_MINUTES = judgement(5, "minutes")
_EVEN = judgement(0.75, "share")
# Five drops in a minute under the bowls, and what leaves is no fill.
_OVERFLOWS = judgement(5.0, "drops/min")
# A thin flow has ended when so many minutes together say so: one of them is noise.
_THIN_ENDS = judgement(5, "minutes")


class RackFill:
    """What leaves the bottle while a rack fills, one averaged reading at a time.

    content: the rack as described; bowl_g: fuel that one of its bowls takes, 0: nobody knows.
    found: whether there was a fill; taken_g: what it took, NaN before it has ended once.
    """

    def __init__(self, content: RackContent, bowl_g: float) -> None:
        self.content = content
        self.log = FlowLog()
        self.thin = ThinFlow(content.described_g)
        self.late = LateBowl(content, bowl_g)
        self.found = False
        # The mass before it, and what it has taken when it last ended.
        self.full_g = self.taken_g = float("nan")
        # When it was found, and when it last began; since when it flows, and when it last ended.
        self.started_s = self.begun_s = self.flows_s = self.ended_s = 0.0
        # The lowest that the mass has been since it ended, two minutes ago.
        self.low_g = float("inf")
        self.peak_g_per_min = 0.0
        # The same since the fill was found.
        self.pace_g_per_min = 0.0

    def watch(self, average: Average) -> None:
        """Take the next minute."""
        self.log.add(average)
        if not self.found:
            self.peak_g_per_min = max(self.peak_g_per_min, self.log.steady_g_per_min)
        self.thin.step(self.log, falls=overflows(average))

    def begin(self, average: Average, before_g: float) -> None:
        """It begins, or goes on; before_g: the mass before what flows now."""
        self.begun_s = average.t_s
        if not self.found:
            self.found, self.started_s, self.full_g = True, average.t_s, before_g
            self.flows_s = self._began_s()
            if self.thin.flows:
                self.peak_g_per_min = self.thin.g_per_min
        self.flow_on()

    def flow_on(self) -> None:
        """It flows in this minute too."""
        self.peak_g_per_min = max(self.peak_g_per_min, self.log.now_g_per_min)
        self.pace_g_per_min = max(self.pace_g_per_min, self.log.steady_g_per_min)

    def end(self, average: Average, from_s: float) -> None:
        """It has ended, for now."""
        self.ended_s = from_s
        if math.isfinite(self.taken_g):
            self.late.ended(self.log, self.begun_s, self.full_g - self.taken_g)
        self.taken_g = self.full_g - average.mass_g
        self.low_g = average.mass_g
        if self.found:
            self.late.settled(average.t_s, average.mass_g, self.taken_g)

    def settle(self, average: Average) -> None:
        """What still goes in counts, but for what flowed just now: the next minute shows whether
        that is the fill, going on.
        """
        self.taken_g = max(self.taken_g, self.full_g - max(average.mass_g, self.low_g))

    def trickles_on(self, average: Average) -> bool:
        """Whether a bowl that was missing fills by a trickle."""
        flowed = self.late.flow.flows
        flows = self.late.step(self.log, falls=overflows(average))
        if flows:
            self.ended_s, self.low_g = average.t_s, average.mass_g
            self.taken_g = self.full_g - average.mass_g
        elif flowed and not self.late.flow.flows:
            self.taken_g = self.full_g - average.mass_g
            self.late.settled(average.t_s, average.mass_g, self.taken_g)
        return flows

    def _began_s(self) -> float:
        """Since when the fill that has just been found flows, or a little before."""
        if self.thin.flows:
            return self.thin.since_s
        return self.log.last_above_s(self.full_g - TOPPED_UP_G)

    # What the rack may still take.

    def missing_g(self, t_s: float) -> float:
        """What the rack may still take if it is as described: a bowl may fill late, by some hours.

        Later the rack holds less than described.
        """
        return self.content.missing_g(self.in_g) if self._may_go_on(t_s) else 0.0

    def spare_g(self, t_s: float) -> float:
        """What the rack may still take at any pace, g."""
        spare_g = self.rush_g(t_s) if self.may_take_hours else self.missing_g(t_s)
        return max(spare_g, self._bowl_missing_g(t_s))

    def rush_g(self, t_s: float) -> float:
        """What the rack may still take at the pace of a fill, which stopped on the way.

        Bowls that nobody has measured may hold more than described, for as long as a tap may be
        opened late.
        """
        may_take_g = self.content.may_take_g(self.in_g) if self._may_go_on(t_s) else 0.0
        return max(may_take_g, self._bowl_missing_g(t_s))

    def most_g(self, t_s: float, *, full: bool) -> float:
        """More than this is no fill: less where somebody or the gates say that the rack is full, or
        where the fill had ended once, but for what a missing bowl may be off from its description.
        """
        again = math.isfinite(self.taken_g)
        most_g = self.content.most_g(full=full, again=again, trickles=self.is_thin)
        return most_g if full else max(most_g, self.in_g + self._bowl_missing_g(t_s))

    @property
    def in_g(self) -> float:
        """What it has taken when it last ended, 0 before."""
        return self.taken_g if math.isfinite(self.taken_g) else 0.0

    def _may_go_on(self, t_s: float) -> bool:
        return self.found and t_s - self.started_s <= MAY_GO_ON_S

    def _bowl_missing_g(self, t_s: float) -> float:
        """What bowls may still take that the fill was short of: of measured ones at any time."""
        known = self.content.measured or self._may_go_on(t_s)
        return self.late.spare_g if known else 0.0

    # How it flows.

    @property
    def is_thin(self) -> bool:
        """Whether it is a trickle."""
        return self.found and self.pace_g_per_min < GOES_ON_G_PER_MIN

    @property
    def may_take_hours(self) -> bool:
        """Whether a thin flow fills bowls that nobody has measured."""
        return not self.content.measured and self.is_thin

    @property
    def flow_ends(self) -> bool:
        """Whether hardly anything flows any more."""
        least = min(FLOW_ENDS_G_PER_MIN, _FLOW_ENDS_SHARE * self.peak_g_per_min)
        return self._steady_flow < least

    @property
    def _steady_flow(self) -> float:
        """What flows; of a trickle the mean over minutes, since its minutes are hardly told apart
        from the noise of the cell.
        """
        if not self.is_thin:
            return self.log.now_g_per_min
        mean = self.log.mean_g_per_min(_THIN_ENDS)
        return max(mean, self.thin.g_per_min) if self.thin.flows else mean

    @property
    def runs_on(self) -> bool:
        """Whether a measured rack is full, and fuel goes on as no bowl that fills lets it: evenly,
        and far slower than it did.
        """
        rates = [minute.g_per_min for minute in self.log.minutes[-_EVEN_MINUTES:]]
        evenly = min(rates) > _EVEN * max(rates) and max(rates) < _SLOWER * self.peak_g_per_min
        beyond_g = self.full_g - self.log.minutes[-1].mass_g - _SURELY * self.content.described_g
        return self.content.measured and evenly and beyond_g > 0

    def goes_on(self, average: Average, *, full: bool) -> bool:
        """Whether the fill, which was short, goes on: a bowl that fills late.

        Two minutes must lie below all before them: a hand on the bottle, or more fuel in it, fills
        no bowl.
        """
        if len(self.log) > STAYS:
            self.low_g = min(self.low_g, self.log.minutes[-STAYS - 1].mass_g)
        down_g = self.low_g - self.log.down_to_g
        trickle_g = max(_SLOWER * self.pace_g_per_min, self.thin.least_g_per_min)
        least_g = trickle_g if self.is_thin else GOES_ON_G_PER_MIN
        fast = down_g > max(least_g, _GOES_ON_SHARE * self.peak_g_per_min)
        short_g = (1 - _WHOLE) * self.content.described_g
        missing = self.missing_g(average.t_s) > short_g or self.rush_g(average.t_s) > 0
        most_g = self.most_g(average.t_s, full=full)
        within = self.full_g - average.mass_g < most_g
        return fast and missing and within and not overflows(average)

    # What it was.

    @property
    def mean_g_per_h(self) -> float:
        """Pace of the fill from its beginning to its end."""
        return 3600 * self.in_g / max(self.ended_s - self.flows_s, 60.0)

    def bowls_short(self, bowl_g: float) -> int:
        """How many bowls' worth of fuel is missing from the fill; 0 when unknown."""
        if bowl_g <= 0 or not self._known:
            return 0
        return self.content.bowls_short(self.taken_g, bowl_g)

    @property
    def rack_scale(self) -> float:
        """Fuel that the rack took over that of the described one; 1 where no fill was seen."""
        return self.content.scale(self.taken_g) if self._known else 1.0

    @property
    def differs(self) -> bool:
        """Whether the fill was not that of the described rack."""
        return self._known and self.content.differs(self.taken_g)

    @property
    def _known(self) -> bool:
        return self.found and math.isfinite(self.taken_g)


def overflows(average: Average) -> bool:
    """Whether so much falls under the bowls that what leaves is no fill."""
    return float(np.sum(average.drops)) >= _OVERFLOWS
