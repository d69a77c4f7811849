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

from soakmon.physics.belief import judgement
from soakmon.watch.averaging import Average
from soakmon.watch.flow_log import STAYS
from soakmon.watch.phase import Phase
from soakmon.watch.rack_content import RackContent
from soakmon.watch.rack_fill import (
    GOES_ON_G_PER_MIN,
    MAY_GO_ON_S,
    TOPPED_UP_G,
    RackFill,
    overflows,
)
from soakmon.watch.settings import Settings

# Without a fill by then, the record is taken for one that begins with a full rack. Where nobody
# said that it is full, a later fill is still found, longer where the record says that the feed was
# opened: a tap in the hose was shut. Beyond that it is a flood.
_LATEST_START_S = judgement(2400.0, "s")
_LATEST_LONE_S = judgement(7200.0, "s")
# Open in a minute in which it was open for more than this.
_OPEN = judgement(0.5, "share")
# A full rack that is opened again has topped up by then; a shut tap gives nothing.
_FULL_WITHIN_S = judgement(420.0, "s")
LONGEST_FILL_S = judgement(3600.0, "s")
# Of a rack that is said to be full only so fast a flow shows that the record holds its filling.
_PLAINLY_FILLS_G_PER_MIN = judgement(10.0, "g/min")
# A loss is a fill from this share of the described rack on, and from so many grams.
_FILL_SHARE = judgement(0.3, "share")
_FILL_G = judgement(5.0, "g")
# Less than that, from this share on, when it has stood so long and so near to what it came to.
_PART_SHARE = judgement(0.12, "share")
_STANDS = judgement(8, "minutes")
_STANDS_WITHIN = judgement(0.1, "share")
# So long a fill may die away before it has settled.
_SETTLES_WITHIN_S = judgement(7200.0, "s")
# A fill that ends so shortly before the bottle is known to be dry was ended by that.
_RAN_DRY_WITHIN_S = judgement(600.0, "s")


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
        self.fill = RackFill(self.content, bowl_g)
        self.settle_s = settle_s
        self.said_full = already_soaking
        self.phase = str(Phase.SOAKING if already_soaking else Phase.IDLE)
        self.waits_from_s = self.first_open_s = float("nan")
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
        elif self.phase == Phase.SETTLING and average.t_s - self.fill.ended_s >= self.settle_s:
            self.phase = str(Phase.SOAKING)
        return self.phase

    def may_fill(self, t_s: float) -> bool:
        """Whether fuel that leaves fast at that time may be the rack's filling: none was seen."""
        waits = math.isfinite(self.waits_from_s)
        if self.content.described_g <= 0 or self.fill.found or not waits:
            return False
        latest_s = MAY_GO_ON_S if math.isfinite(self.opened_s) else _LATEST_LONE_S
        begins_s = self.fill.thin.since_s if self.fill.thin.flows else t_s
        return begins_s - self.waits_from_s < (_LATEST_START_S if self.said_full else latest_s)

    @property
    def may_fill_thinly(self) -> bool:
        """Whether fuel leaves as it does when a rack fills by a trickle: a leak is not told yet."""
        thin = self.fill.thin
        whole = thin.flows and self.may_fill(thin.since_s) and not self.said_full
        return whole or self.fill.late.begins(self.fill.log)

    @property
    def fills_fast(self) -> bool:
        """Whether the rack fills, or what flows now may be the beginning of it."""
        log = self.fill.log
        flows = len(log) > 0 and log.now_g_per_min > GOES_ON_G_PER_MIN
        return self.phase == Phase.FILLING or (flows and self.may_be_filling(log.minutes[-1].t_s))

    def may_be_filling(self, t_s: float) -> bool:
        """The same, unless somebody has said that the rack is full: then it is a flood at once."""
        return self.phase == Phase.FILLING or (self.may_fill(t_s) and not self.said_full)

    @property
    def valve_known(self) -> bool:
        """Whether the record has said when the feed was opened."""
        return self.shut or math.isfinite(self.opened_s)

    def _feed(self, average: Average) -> None:
        """Where the record says when the feed was open, a fill is waited for from its opening.

        Shut again hours later, it isolates a rack that has soaked: no fill comes any more.
        """
        if average.feed_open < _OPEN:
            self.shut = True
            soaks_s = _LATEST_START_S if self.said_full else MAY_GO_ON_S
            if average.t_s - self.first_open_s > soaks_s:
                return
            self.opened_s, self.waits_from_s = math.nan, average.t_s
            if not self.fill.found and self.phase != Phase.IDLE and self.said_full:
                self.phase = str(Phase.IDLE)
        elif self.shut:
            self.shut, self.opened_s = False, average.t_s
            self.opened_g = self.fill.log.lately_g
        elif not math.isfinite(self.waits_from_s):
            self.waits_from_s = average.t_s
        if not self.shut and not math.isfinite(self.first_open_s):
            self.first_open_s = average.t_s

    def _step(self, average: Average) -> None:
        self.fill.watch(average)
        if self.phase == Phase.FILLING:
            self._filling(average)
        elif not self.fill.found and self._fills(average):
            self._begin(average)
        elif self.phase == Phase.SETTLING:
            self._settling(average)
        elif self.phase == Phase.IDLE:
            self._idle(average)
        elif self._goes_on(average):
            self._begin(average)
        elif self.fill.trickles_on(average):
            self.phase = str(Phase.SETTLING)

    def _before_g(self) -> float:
        """The mass before what flows now: when the feed was opened, where that is known."""
        if math.isfinite(self.opened_g):
            return self.opened_g
        return self.fill.thin.from_g if self.fill.thin.flows else self.fill.log.highest_g()

    def _fills(self, average: Average) -> bool:
        """Whether the rack has begun to fill: a reading alone may be a hand on the bottle."""
        log, peak_g_per_min = self.fill.log, self.fill.peak_g_per_min
        if self.shut or not self.may_fill(average.t_s) or len(log) < STAYS:
            return False
        if self.said_full and peak_g_per_min < _PLAINLY_FILLS_G_PER_MIN:
            return False
        down_g, described_g = self._before_g() - log.down_to_g, self.content.described_g
        if down_g > max(_FILL_SHARE * described_g, _FILL_G):
            return True
        # What flowed fast and stopped by itself was a fill, however little: of a rack that was
        # nearly full, or of few bowls.
        flowed = peak_g_per_min > GOES_ON_G_PER_MIN and not self.said_full
        part = flowed and down_g > max(_PART_SHARE * described_g, _FILL_G)
        return part and log.stands_for(_STANDS, _STANDS_WITHIN * down_g)

    def _begin(self, average: Average) -> None:
        self.phase = str(Phase.FILLING)
        self.fill.begin(average, self._before_g())

    def _settle(self, average: Average, from_s: float) -> None:
        self.phase = str(Phase.SETTLING)
        self.fill.end(average, from_s)

    def _idle(self, average: Average) -> None:
        """Wait for the fill; a rack that is full already shows it by a flow that is little."""
        if self.shut:
            return
        if math.isfinite(self.opened_s) and not self.fill.thin.flows:
            topped_up = self.opened_g - average.mass_g > TOPPED_UP_G
            if self.said_full or (topped_up and average.t_s - self.opened_s > _FULL_WITHIN_S):
                self._settle(average, self.opened_s)
                return
        if average.t_s - self.waits_from_s > _LATEST_START_S and not self.fill.thin.flows:
            self.phase = str(Phase.SOAKING)

    def _filling(self, average: Average) -> None:
        fill = self.fill
        fill.flow_on()
        taken_g = fill.full_g - average.mass_g
        slow = fill.may_take_hours or taken_g < self.content.holds_g
        longest_s = MAY_GO_ON_S if slow else LONGEST_FILL_S
        too_much = taken_g > fill.most_g(average.t_s, full=self._is_full(average))
        self.ran_over = too_much and fill.log.now_g_per_min > GOES_ON_G_PER_MIN
        over = too_much or average.t_s - fill.begun_s > longest_s or fill.runs_on
        if fill.flow_ends or over:
            self._settle(average, average.t_s)

    def _settling(self, average: Average) -> None:
        settled_s = average.t_s - self.fill.ended_s
        if self._goes_on(average):
            self._begin(average)
            return
        if self.fill.trickles_on(average):
            return
        self.fill.settle(average)
        if settled_s >= self.settle_s and not (
            settled_s < _SETTLES_WITHIN_S and self.fill.log.dies_away
        ):
            self.phase = str(Phase.SOAKING)

    def _goes_on(self, average: Average) -> bool:
        return self.fill.goes_on(average, full=self._is_full(average))

    def _is_full(self, average: Average) -> bool:
        return self.said_full or overflows(average)

    def over_g(self, dry_s: float) -> float:
        """What went beyond the rack, g, where the bottle that ran dry by then ended the fill."""
        ended = self.phase == Phase.FILLING or dry_s - self.fill.ended_s < _RAN_DRY_WITHIN_S
        return self.content.over_g(self.fill.in_g) if self.fill.found and ended else 0.0
