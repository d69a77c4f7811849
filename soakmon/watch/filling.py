"""Finds the filling of the rack in a run, whenever it comes, and what it took.

idle ──loss──► filling ──flow ends──► settling ──settle time──► soaking
                  ▲                       │                        │
                  └──────── it goes on ───┴── a late bowl fills ───┘

How fast a rack fills, how much it takes and when somebody opens the tap is not known beforehand:
a fill is fuel that leaves at a rate of its own and stops by itself. Until that has been seen, fuel
that leaves may be a fill, and no flood is called by the mass.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.averaging import Average
from soakmon.watch.flow_log import STAYS, FlowLog
from soakmon.watch.late_bowl import LateBowl
from soakmon.watch.phase import Phase
from soakmon.watch.rack_content import RackContent
from soakmon.watch.settings import Settings
from soakmon.watch.thin_flow import ThinFlow

# Without a fill by then, the record is taken for one that begins with a full rack. Where nobody
# said that it is full, a later fill is still found, longer where the record says that the feed was
# opened: a tap in the hose was shut. Beyond that it is a flood.
_LATEST_START_S = judgement(2400.0, "s")
_LATEST_LONE_S = judgement(7200.0, "s")
_LATEST_TAP_S = judgement(4 * 3600.0, "s")
# Open in a minute in which it was open for more than this.
_OPEN = judgement(0.5, "share")
# A full rack that is opened again tops up within minutes what hose and bowls had lost; a shut tap
# gives nothing.
_FULL_WITHIN_S = judgement(420.0, "s")
_TOPPED_UP_G = judgement(0.3, "g")
# A flow ends below this, or below that share of what it has been at its strongest.
FLOW_ENDS_G_PER_MIN = judgement(1.0, "g/min")
_FLOW_ENDS_SHARE = judgement(0.25, "share")
LONGEST_FILL_S = judgement(3600.0, "s")
_LONGEST_SLOW_S = judgement(4 * 3600.0, "s")
# Of a rack that is said to be full only so fast a flow shows that the record holds its filling.
_PLAINLY_FILLS_G_PER_MIN = judgement(10.0, "g/min")
# A loss is a fill from this share of the described rack on, and from so many grams.
_FILL_SHARE = judgement(0.3, "share")
_FILL_G = judgement(5.0, "g")
# Less than that, from this share on, when it has stood so long and so near to what it came to.
_PART_SHARE = judgement(0.12, "share")
_STANDS = judgement(8, "minutes")
_STANDS_WITHIN = judgement(0.1, "share")
# While less than this share of the described rack is in, what flows fast is still the fill.
_WHOLE = judgement(0.95, "share")
GOES_ON_G_PER_MIN = judgement(3.0, "g/min")
# A trickle goes on at that share of the pace that it had (judgement).
_SLOWER = judgement(0.5, "times")
_GOES_ON_SHARE = judgement(0.1, "share")
# What floods through a full rack flows evenly for so many minutes, to this share.
_EVEN_MINUTES = judgement(5, "minutes")
_EVEN = judgement(0.75, "share")
# So long a fill may die away before it has settled.
_SETTLES_WITHIN_S = judgement(7200.0, "s")
# A fill that ends so shortly before the bottle is known to be dry was ended by that.
_RAN_DRY_WITHIN_S = judgement(600.0, "s")
# Five drops in a minute under the bowls, and what leaves is no fill.
_OVERFLOWS = judgement(5.0, "drops/min")
# A thin flow has ended when so many minutes together say so: one of them is noise.
_THIN_ENDS = judgement(5, "minutes")


class FillFinder:
    """Follows a run from idle to soaking, one averaged reading at a time.

    expected_g: fuel that bowls and hose take as described (0: no rack, nothing fills); settle_s:
    from the end of flow to soaking; already_soaking: somebody says that the rack is full;
    size_known: the bowls were measured; bowl_g: fuel that one of them takes, 0: nobody knows.
    """

    def __init__(
        self,
        expected_g: float,
        settle_s: float,
        *,
        already_soaking: bool,
        size_known: bool = True,
        bowl_g: float = 0.0,
    ) -> None:
        self.content = RackContent(expected_g, size_known)
        self.settle_s = settle_s
        self.said_full = already_soaking
        self.phase = str(Phase.SOAKING if already_soaking else Phase.IDLE)
        self.found = False
        self.full_g = float("nan")
        self.log = FlowLog()
        self.thin = ThinFlow(expected_g)
        self.late = LateBowl(self.content, bowl_g)
        self.started_s = self.begun_s = 0.0
        # Since when the fill has flowed: one that was found late did before.
        self.flows_s = 0.0
        self.ended_s = 0.0
        self.taken_g = float("nan")
        # The lowest that the mass has been since it took that, two minutes ago.
        self.low_g = float("inf")
        self.peak_g_per_min = 0.0
        # The same since the fill was found.
        self.pace_g_per_min = 0.0
        self.waits_from_s = float("nan")
        self.opened_s = self.opened_g = float("nan")
        self.shut = False
        # Whether what was taken for the fill has just proved to be more than that.
        self.ran_over = False

    @classmethod
    def of(cls, settings: Settings, *, already_soaking: bool) -> FillFinder:
        """For the rack of these settings; one without bowls has nothing to fill."""
        full = already_soaking or settings.rack_full or settings.rack_g == 0
        expected_g = settings.rack_g + settings.hose_g
        known = settings.bowls_measured
        return cls(
            expected_g,
            settings.settle_s,
            already_soaking=full,
            size_known=known,
            bowl_g=settings.bowl_g,
        )

    def step(self, average: Average) -> str:
        """The phase after this reading."""
        self.ran_over = False
        self._feed(average)
        if math.isfinite(average.mass_g) and self.content.described_g > 0:
            self._step(average)
        elif self.phase == Phase.SETTLING and average.t_s - self.ended_s >= self.settle_s:
            self.phase = str(Phase.SOAKING)
        return self.phase

    def may_fill(self, t_s: float) -> bool:
        """Whether fuel that leaves fast at that time may be the rack's filling: none was seen."""
        if self.content.described_g <= 0 or self.found or not math.isfinite(self.waits_from_s):
            return False
        latest_s = _LATEST_TAP_S if math.isfinite(self.opened_s) else _LATEST_LONE_S
        begins_s = self.thin.since_s if self.thin.flows else t_s
        return begins_s - self.waits_from_s < (_LATEST_START_S if self.said_full else latest_s)

    @property
    def may_fill_thinly(self) -> bool:
        """Whether fuel leaves as it does when a rack fills by a trickle: a leak is not told yet."""
        whole = self.thin.flows and self.may_fill(self.thin.since_s) and not self.said_full
        return whole or self.late.begins(self.log)

    @property
    def fills_fast(self) -> bool:
        """Whether the rack fills, or what flows now may be the beginning of it."""
        flows = len(self.log) > 0 and self.log.now_g_per_min > GOES_ON_G_PER_MIN
        return self.phase == Phase.FILLING or (
            flows and self.may_be_filling(self.log.minutes[-1].t_s)
        )

    def may_be_filling(self, t_s: float) -> bool:
        """The same, unless somebody has said that the rack is full: then it is a flood at once."""
        return self.phase == Phase.FILLING or (self.may_fill(t_s) and not self.said_full)

    @property
    def valve_known(self) -> bool:
        """Whether the record has said when the feed was opened."""
        return self.shut or math.isfinite(self.opened_s)

    def missing_g(self, t_s: float) -> float:
        """What the rack may still take if it is as described: a bowl may fill late, by some hours.

        Later the rack holds less than described.
        """
        return self.content.missing_g(self._in_g) if self._may_go_on(t_s) else 0.0

    def _may_go_on(self, t_s: float) -> bool:
        return self.found and t_s - self.started_s <= _LATEST_TAP_S

    @property
    def _fills_thinly(self) -> bool:
        return self.found and self.pace_g_per_min < GOES_ON_G_PER_MIN

    @property
    def _thin(self) -> bool:
        """Whether a thin flow fills bowls that nobody has measured: it may go on for hours."""
        return not self.content.measured and self._fills_thinly

    def spare_g(self, t_s: float) -> float:
        """What the rack may still take at any pace, g."""
        spare_g = self.rush_g(t_s) if self._thin else self.missing_g(t_s)
        return max(spare_g, self._bowl_missing_g(t_s))

    def _bowl_missing_g(self, t_s: float) -> float:
        """What bowls may still take that the fill was short of: of measured ones at any time."""
        known = self.content.measured or self._may_go_on(t_s)
        return self.late.spare_g if known else 0.0

    def rush_g(self, t_s: float) -> float:
        """What the rack may still take at the pace of a fill, which stopped on the way.

        Bowls that nobody has measured may hold more than described, for as long as a tap may be
        opened late.
        """
        may_take_g = self.content.may_take_g(self._in_g) if self._may_go_on(t_s) else 0.0
        return max(may_take_g, self._bowl_missing_g(t_s))

    @property
    def _in_g(self) -> float:
        return self.taken_g if math.isfinite(self.taken_g) else 0.0

    def _feed(self, average: Average) -> None:
        """Where the record says when the feed was open, a fill is waited for from its opening."""
        if average.feed_open < _OPEN:
            self.shut = True
            self.opened_s, self.waits_from_s = math.nan, average.t_s
            if not self.found and self.phase != Phase.IDLE and self.said_full:
                self.phase = str(Phase.IDLE)
        elif self.shut:
            self.shut, self.opened_s = False, average.t_s
            self.opened_g = self.log.lately_g
        elif not math.isfinite(self.waits_from_s):
            self.waits_from_s = average.t_s

    def _step(self, average: Average) -> None:
        self._remember(average)
        if self.phase == Phase.FILLING:
            self._filling(average)
        elif not self.found and self._fills(average):
            self._begin(average)
        elif self.phase == Phase.SETTLING:
            self._settling(average)
        elif self.phase == Phase.IDLE:
            self._idle(average)
        elif self._goes_on(average):
            self._begin(average)
        elif self._fills_late(average):
            self._still_settles(average)

    def _remember(self, average: Average) -> None:
        self.log.add(average)
        if not self.found:
            self.peak_g_per_min = max(self.peak_g_per_min, self.log.steady_g_per_min)
        self.thin.step(self.log, falls=_overflows(average))

    @property
    def _steady_flow(self) -> float:
        """What flows; of a trickle the mean over minutes, since its minutes are hardly told apart
        from the noise of the cell.
        """
        if not self._fills_thinly:
            return self.log.now_g_per_min
        mean = self.log.mean_g_per_min(_THIN_ENDS)
        return max(mean, self.thin.g_per_min) if self.thin.flows else mean

    def _most_g(self, average: Average) -> float:
        """More than this is no fill: less where somebody or the gates say that the rack is full, or
        where the fill had ended once, but for what a missing bowl may be off from its description.
        """
        full, again = self.said_full or _overflows(average), math.isfinite(self.taken_g)
        most_g = self.content.most_g(full=full, again=again, trickles=self._fills_thinly)
        return most_g if full else max(most_g, self._in_g + self._bowl_missing_g(average.t_s))

    def _before_g(self) -> float:
        """The mass before what flows now: when the feed was opened, where that is known."""
        if math.isfinite(self.opened_g):
            return self.opened_g
        return self.thin.from_g if self.thin.flows else self.log.highest_g()

    def _began_s(self) -> float:
        """Since when the fill that has just been found flows, or a little before."""
        if self.thin.flows:
            return self.thin.since_s
        return self.log.last_above_s(self.full_g - _TOPPED_UP_G)

    def _fills(self, average: Average) -> bool:
        """Whether the rack has begun to fill: a reading alone may be a hand on the bottle."""
        if self.shut or not self.may_fill(average.t_s) or len(self.log) < STAYS:
            return False
        if self.said_full and self.peak_g_per_min < _PLAINLY_FILLS_G_PER_MIN:
            return False
        down_g, described_g = self._before_g() - self.log.down_to_g, self.content.described_g
        if down_g > max(_FILL_SHARE * described_g, _FILL_G):
            return True
        # What flowed fast and stopped by itself was a fill, however little: of a rack that was
        # nearly full, or of few bowls.
        flowed = self.peak_g_per_min > GOES_ON_G_PER_MIN and not self.said_full
        part = flowed and down_g > max(_PART_SHARE * described_g, _FILL_G)
        return part and self.log.stands_for(_STANDS, _STANDS_WITHIN * down_g)

    def _idle(self, average: Average) -> None:
        """Wait for the fill; a rack that is full already shows it by a flow that is little."""
        if self.shut:
            return
        if math.isfinite(self.opened_s) and not self.thin.flows:
            topped_up = self.opened_g - average.mass_g > _TOPPED_UP_G
            if self.said_full or (topped_up and average.t_s - self.opened_s > _FULL_WITHIN_S):
                self._settle(average, self.opened_s)
                return
        if average.t_s - self.waits_from_s > _LATEST_START_S and not self.thin.flows:
            self.phase = str(Phase.SOAKING)

    def _begin(self, average: Average) -> None:
        self.phase, self.begun_s = str(Phase.FILLING), average.t_s
        if not self.found:
            self.found, self.started_s, self.full_g = True, average.t_s, self._before_g()
            self.flows_s = self._began_s()
            if self.thin.flows:
                self.peak_g_per_min = self.thin.g_per_min
        self.peak_g_per_min = max(self.peak_g_per_min, self.log.now_g_per_min)
        self._pace()

    def _pace(self) -> None:
        self.pace_g_per_min = max(self.pace_g_per_min, self.log.steady_g_per_min)

    def _settle(self, average: Average, from_s: float) -> None:
        self.phase, self.ended_s = str(Phase.SETTLING), from_s
        if math.isfinite(self.taken_g):
            self.late.ended(self.log, self.begun_s, self.full_g - self.taken_g)
        self.taken_g = self.full_g - average.mass_g
        self.low_g = average.mass_g
        if self.found:
            self.late.settled(average.t_s, average.mass_g, self.taken_g)

    def _fills_late(self, average: Average) -> bool:
        """Whether a bowl that was missing fills by a trickle."""
        flowed = self.late.flow.flows
        flows = self.late.step(self.log, falls=_overflows(average))
        if flowed and not flows:
            self.taken_g = self.full_g - average.mass_g
            self.late.settled(average.t_s, average.mass_g, self.taken_g)
        return flows

    def _still_settles(self, average: Average) -> None:
        """While a bowl fills by a trickle the rack has not settled, or no more."""
        self.phase, self.ended_s = str(Phase.SETTLING), average.t_s
        self.taken_g, self.low_g = self.full_g - average.mass_g, average.mass_g

    def _filling(self, average: Average) -> None:
        self._pace()
        self.peak_g_per_min = max(self.peak_g_per_min, self.log.now_g_per_min)
        taken = self.full_g - average.mass_g
        ends = min(FLOW_ENDS_G_PER_MIN, _FLOW_ENDS_SHARE * self.peak_g_per_min)
        longest = _LONGEST_SLOW_S if self._thin or taken < self.content.holds_g else LONGEST_FILL_S
        too_much = taken > self._most_g(average)
        self.ran_over = too_much and self.log.now_g_per_min > GOES_ON_G_PER_MIN
        over = too_much or average.t_s - self.begun_s > longest or self._runs_on(taken)
        if self._steady_flow < ends or over:
            self._settle(average, average.t_s)

    def _runs_on(self, taken_g: float) -> bool:
        """Whether a measured rack is full, and fuel goes on as no bowl that fills lets it: evenly,
        and far slower than it did.
        """
        rates = [minute.g_per_min for minute in self.log.minutes[-_EVEN_MINUTES:]]
        evenly = min(rates) > _EVEN * max(rates) and max(rates) < _SLOWER * self.peak_g_per_min
        return self.content.measured and evenly and taken_g > _WHOLE * self.content.described_g

    def _settling(self, average: Average) -> None:
        settled_s = average.t_s - self.ended_s
        if self._goes_on(average):
            self._begin(average)
            return
        if self._fills_late(average):
            self._still_settles(average)
            return
        # Not what flowed just now: the next minute shows whether that is the fill, going on.
        self.taken_g = max(self.taken_g, self.full_g - max(average.mass_g, self.low_g))
        if settled_s >= self.settle_s and not (
            settled_s < _SETTLES_WITHIN_S and self.log.dies_away
        ):
            self.phase = str(Phase.SOAKING)

    def _goes_on(self, average: Average) -> bool:
        """Whether the fill, which was short, goes on: a bowl that fills late.

        Two minutes must lie below all before them: a hand on the bottle, or more fuel in it, fills
        no bowl.
        """
        if len(self.log) > STAYS:
            self.low_g = min(self.low_g, self.log.minutes[-STAYS - 1].mass_g)
        down_g = self.low_g - self.log.down_to_g
        trickle_g = max(_SLOWER * self.pace_g_per_min, self.thin.least_g_per_min)
        least_g = trickle_g if self._fills_thinly else GOES_ON_G_PER_MIN
        fast = down_g > max(least_g, _GOES_ON_SHARE * self.peak_g_per_min)
        short_g = (1 - _WHOLE) * self.content.described_g
        missing = self.missing_g(average.t_s) > short_g or self.rush_g(average.t_s) > 0
        missing = missing and self.full_g - average.mass_g < self._most_g(average)
        return fast and missing and not _overflows(average)

    def over_g(self, dry_s: float) -> float:
        """What went beyond the rack, g, where the bottle that ran dry by then ended the fill."""
        ended = self.phase == Phase.FILLING or dry_s - self.ended_s < _RAN_DRY_WITHIN_S
        return self.content.over_g(self._in_g) if self.found and ended else 0.0

    @property
    def mean_g_per_h(self) -> float:
        """Pace of the fill from its beginning to its end."""
        return 3600 * self._in_g / max(self.ended_s - self.flows_s, 60.0)

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


def _overflows(average: Average) -> bool:
    """Whether so much falls under the bowls that what leaves is no fill."""
    return float(np.sum(average.drops)) >= _OVERFLOWS
