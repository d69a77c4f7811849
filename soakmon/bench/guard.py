"""The guard: hard limits at which the feed is shut without asking anyone.

It knows no statistics and no event loop: plain comparisons on what the sampler has just read.
`step` gives the news, each reason once for an opening; `must_be_shut` the limits that are broken
now. The caller shuts the valve first and tells afterwards, and keeps it shut by `must_be_shut`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from soakmon.bench.bottle import BottleLevel
from soakmon.bench.levels import Level, Levels
from soakmon.bench.shove import Shoves
from soakmon.bench.shut_watch import ShutWatch
from soakmon.bench.storm import STORM_S, StormCounter
from soakmon.hardware_config import GuardSection
from soakmon.texts import say
from soakmon.watch.filling import LONGEST_FILL_S
from soakmon.watch.rack_fill import FLOW_ENDS_G_PER_MIN

_LEAST_FILL_S = 120.0


class Code(StrEnum):
    """What trips the guard, in words that programs go by: texts may be reworded or translated."""

    VAPOUR = "vapour"
    BLIND = "blind"
    FAST = "fast"
    TOTAL = "total"
    FILLING = "filling"
    RISING = "rising"
    STORM = "storm"
    VALVE_FAILED = "valve_failed"
    HUNG = "hung"


# These hold as long as they last; all others until somebody opens the feed again.
PASSING = frozenset({Code.VAPOUR, Code.BLIND})


@dataclass(frozen=True, slots=True)
class Trip:
    """Why the guard wants the feed shut; kind: flood, bench or vapour."""

    t_s: float
    kind: str
    carb: int | None
    text: str
    code: Code


@dataclass(frozen=True, slots=True)
class Sample:
    """What the sampler has read at t_s: mass in g or None, and per gate the times (s) of the drops
    since the last sample.
    """

    t_s: float
    mass_g: float | None
    drops: tuple[tuple[float, ...], ...]
    feed_open: bool
    vapour: bool | None = None


class Guard:
    """Watches samples; rack_g: fuel that bowls and hose take.

    filling ──flow ends──► watching, from each opening of the feed; while it is shut: nothing flows.
    """

    def __init__(self, limits: GuardSection, rack_g: float) -> None:
        self.limits = limits
        self.rack_g = rack_g
        self.filled = False
        self.opened_s: float | None = None
        self.sampled_s: float | None = None
        self.judged_s: float | None = None
        self.levels = Levels(limits.blind_s)
        self.storm = StormCounter()
        self.bottle, self.shoves = self._bottle(), Shoves(limits.rate_g_per_min)
        self.full_g: float | None = None
        self.start_g: float | None = None
        self.shut: ShutWatch | None = None
        self.announced: set[tuple[Code, int | None]] = set()
        self.broken: dict[tuple[Code, int | None], Trip] = {}

    def already_filled(self) -> None:
        """The soak was resumed: the rack is full."""
        self.filled = True

    @property
    def must_be_shut(self) -> tuple[Trip, ...]:
        """Every limit that is broken now, in the order in which they were: the feed stays shut.

        A vapour alarm and a blind cell hold as long as they last, with the feed open or shut; all
        others until somebody opens the feed again.
        """
        return tuple(self.broken.values())

    def step(self, sample: Sample) -> list[Trip]:
        """Trips that this sample causes; each reason once until the feed is opened again."""
        self._valve_moved(sample)
        level = self._level(sample)
        self.storm.add(sample.t_s, sample.drops)
        passing = self._vapour(sample) + self._blind(sample)
        trips = list(passing)
        if sample.feed_open:
            trips += self._flow(sample, level) + self._storm(sample)
        else:
            trips += self._seep(sample)
        self._hold(trips)
        # A cell that is blind while nothing flows is no news.
        news = [t for t in trips if sample.feed_open or t.code is not Code.BLIND]
        fresh = [trip for trip in news if (trip.code, trip.carb) not in self.announced]
        self.announced |= {(trip.code, trip.carb) for trip in fresh}
        return fresh

    def _hold(self, trips: list[Trip]) -> None:
        now = {(trip.code, trip.carb): trip for trip in trips}
        lasting = {
            key: trip for key, trip in self.broken.items() if trip.code not in PASSING or key in now
        }
        self.broken = now | lasting

    def _bottle(self) -> BottleLevel:
        return BottleLevel(self.limits.rise_g, self.limits.rate_g_per_min)

    def _valve_moved(self, sample: Sample) -> None:
        if sample.feed_open and self.opened_s is None:
            self.opened_s, self.shut = sample.t_s, None
            self.bottle, self.shoves = self._bottle(), Shoves(self.limits.rate_g_per_min)
            self.full_g = self.start_g = None
            self.announced.clear()
            self.broken = {k: trip for k, trip in self.broken.items() if trip.code in PASSING}
        elif not sample.feed_open and self.shut is None:
            self.opened_s, self.shut = None, ShutWatch(sample.t_s)

    def _level(self, sample: Sample) -> Level | None:
        stood_s = 0.0 if self.sampled_s is None else sample.t_s - self.sampled_s
        self.sampled_s = sample.t_s
        if self.judged_s is None:
            self.judged_s = sample.t_s
        elif stood_s > self.limits.hung_s:
            # Nobody looked: that is the keeper's business, and no fault of the cell.
            self.judged_s += stood_s
        if sample.mass_g is None:
            return None
        level = self.levels.add(sample.t_s, sample.mass_g)
        if level is not None:
            self.judged_s = sample.t_s
        return level

    def _vapour(self, sample: Sample) -> list[Trip]:
        text = say("guard.vapour_detector_alarm")
        return [Trip(sample.t_s, "vapour", None, text, Code.VAPOUR)] if sample.vapour else []

    def _blind(self, sample: Sample) -> list[Trip]:
        """Single readings among many that are missing are no sight: they may be spikes."""
        blind_s = sample.t_s - (self.judged_s if self.judged_s is not None else sample.t_s)
        if blind_s <= self.limits.blind_s:
            return []
        text = say("guard.load_cell_blind_too_few", blind_s=f"{blind_s:.0f}")
        return [Trip(sample.t_s, "bench", None, text, Code.BLIND)]

    def _flow(self, sample: Sample, level: Level | None) -> list[Trip]:
        """Loss rate over the last minute, and totals."""
        if level is None or self.opened_s is None or level.t_s < self.opened_s:
            return []
        counting = self.shoves.take(level)
        for gate in counting:
            shift_g = self.bottle.take(gate, filling=not self.filled)
            self.full_g = gate.mass_g if self.full_g is None else self.full_g + shift_g
            if self.start_g is not None:
                self.start_g += shift_g
        if not counting or self.full_g is None:
            return []
        trips = self._rising(sample)
        if self.filled:
            return trips + self._watching(sample, level)
        return trips + self._filling(sample, level, self.full_g, sample.t_s - self.opened_s)

    def _rising(self, sample: Sample) -> list[Trip]:
        if not self.bottle.rises:
            return []
        text = say("guard.bottle_gets_heavier_while_feed")
        return [Trip(sample.t_s, "bench", None, text, Code.RISING)]

    def _watching(self, sample: Sample, level: Level) -> list[Trip]:
        if self.start_g is None:
            self.start_g = level.mass_g
        trips = []
        rate = self.bottle.falls_fast()
        if rate is not None:
            text = say("guard.fuel_pouring_out_g_minute", rate=f"{rate:.1f}")
            trips.append(Trip(sample.t_s, "flood", None, text, Code.FAST))
        lost = self.start_g - level.mass_g
        if lost > self.limits.total_g:
            text = say("guard.more_has_gone_than_may", lost=f"{lost:.0f}")
            trips.append(Trip(sample.t_s, "flood", None, text, Code.TOTAL))
        return trips

    def _filling(self, sample: Sample, level: Level, full_g: float, open_s: float) -> list[Trip]:
        rate = self.bottle.fall_g_per_min()
        slow = rate is not None and rate < FLOW_ENDS_G_PER_MIN
        if (slow and open_s > _LEAST_FILL_S) or open_s > LONGEST_FILL_S:
            self.filled = True
        taken = full_g - level.mass_g
        if taken <= self.rack_g + self.limits.fill_g_over:
            return []
        text = say(
            "guard.filling_does_not_end_g", taken=f"{taken:.0f}", rack_g=f"{self.rack_g:.0f}"
        )
        return [Trip(sample.t_s, "flood", None, text, Code.FILLING)]

    def _storm(self, sample: Sample) -> list[Trip]:
        trips = []
        for gate in range(len(self.storm.drops)):
            count = self.storm.of(gate, self.limits.storm_drops)
            if count >= self.limits.storm_drops:
                text = say(
                    "guard.carb_overflows_drops_s",
                    gate=gate + 1,
                    count=count,
                    storm_s=f"{STORM_S:.0f}",
                )
                trips.append(Trip(sample.t_s, "flood", gate + 1, text, Code.STORM))
        return trips

    def _seep(self, sample: Sample) -> list[Trip]:
        """The valve is only shut when the bottle says so."""
        if self.shut is None or sample.mass_g is None:
            return []
        rate = self.shut.loss_g_per_h(sample.t_s, sample.mass_g)
        if rate is None:
            return []
        text = say("guard.valve_does_not_stop_flow", rate=f"{rate:.0f}")
        return [Trip(sample.t_s, "bench", None, text, Code.VALVE_FAILED)]
