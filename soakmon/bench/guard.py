"""The guard: hard limits at which the feed is shut without asking anyone.

It knows no statistics and no event loop: plain comparisons on what the sampler has just read. A
trip comes with its reason; the caller shuts the valve first and tells afterwards.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from soakmon.hardware_config import GuardSection

_WINDOW_S = 60.0
_STORM_S = 10.0
_FLOW_ENDS_G_PER_MIN = 1.0
_LONGEST_FILL_S = 3600.0
# After shutting, the hose may still settle; then nothing may flow any more.
_STOPS_WITHIN_S = 30.0
_STOP_CHECK_S = 60.0
_MAY_STILL_LOSE_G = 0.6
_LEAST_READINGS = 3


class Code(StrEnum):
    """What trips the guard, in words that programs go by: texts may be reworded or translated."""

    VAPOUR = "vapour"
    BLIND = "blind"
    FAST = "fast"
    TOTAL = "total"
    FILLING = "filling"
    STORM = "storm"
    VALVE_FAILED = "valve_failed"
    HUNG = "hung"


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
    """What the sampler has read at t_s: mass in g or None, drops per gate since the last sample."""

    t_s: float
    mass_g: float | None
    drops: tuple[int, ...]
    feed_open: bool
    vapour: bool | None = None


class Guard:
    """Watches samples; rack_g: fuel that bowls and hose take.

    idle ──feed opens──► filling ──flow ends──► watching; after a shut: the flow must stop.
    """

    def __init__(self, limits: GuardSection, rack_g: float) -> None:
        self.limits = limits
        self.rack_g = rack_g
        self.opened_s: float | None = None
        self.full_g: float | None = None
        self.start_g: float | None = None
        self.filled = False
        self.last_mass_s: float | None = None
        self.minute: deque[tuple[float, float]] = deque()
        self.drops: list[deque[tuple[float, int]]] = []
        self.shut_s: float | None = None
        self.shut_g: float | None = None
        self.told: set[tuple[Code, int | None]] = set()
        self.broken: tuple[Trip, ...] = ()

    @property
    def must_be_shut(self) -> tuple[Trip, ...]:
        """Every limit that is broken now, told or not: while there is one, the feed stays shut."""
        return self.broken

    def already_filled(self) -> None:
        """The soak was resumed: the rack is full."""
        self.filled = True

    def step(self, sample: Sample) -> list[Trip]:
        """Trips that this sample causes; each reason once until the feed is opened again."""
        trips: list[Trip] = []
        self._follow(sample)
        if sample.vapour:
            text = "the vapour detector is in alarm"
            trips.append(Trip(sample.t_s, "vapour", None, text, Code.VAPOUR))
        if sample.feed_open:
            trips += self._blind(sample) + self._flow(sample) + self._storm(sample)
        else:
            trips += self._must_stop(sample)
        self.broken = tuple(trips)
        fresh = [trip for trip in trips if (trip.code, trip.carb) not in self.told]
        self.told |= {(trip.code, trip.carb) for trip in fresh}
        return fresh

    def _follow(self, sample: Sample) -> None:
        if sample.feed_open and self.opened_s is None:
            self.opened_s, self.shut_s = sample.t_s, None
            self.last_mass_s = sample.t_s
            self.full_g = self.start_g = None
            self.minute.clear()
            self.told.clear()
        elif not sample.feed_open and self.opened_s is not None:
            self.opened_s, self.shut_s, self.shut_g = None, sample.t_s, None
        if sample.mass_g is not None:
            self.last_mass_s = sample.t_s
            self.minute.append((sample.t_s, sample.mass_g))
        while self.minute and self.minute[0][0] < sample.t_s - _WINDOW_S:
            self.minute.popleft()
        while len(self.drops) < len(sample.drops):
            self.drops.append(deque())
        for gate, count in enumerate(sample.drops):
            if count:
                self.drops[gate].append((sample.t_s, count))
            while self.drops[gate] and self.drops[gate][0][0] <= sample.t_s - _STORM_S:
                self.drops[gate].popleft()

    def _blind(self, sample: Sample) -> list[Trip]:
        silent_s = sample.t_s - (self.last_mass_s or sample.t_s)
        if silent_s <= self.limits.blind_s:
            return []
        text = f"the load cell is blind: no reading for {silent_s:.0f} s"
        return [Trip(sample.t_s, "bench", None, text, Code.BLIND)]

    def _flow(self, sample: Sample) -> list[Trip]:
        """Loss rate over the last minute, and totals; medians, so that spikes do not trip it."""
        now_g = self._median(sample.t_s - 5, sample.t_s)
        before_g = self._median(sample.t_s - _WINDOW_S, sample.t_s - _WINDOW_S + 5)
        if now_g is None or self.opened_s is None:
            return []
        if self.full_g is None:
            self.full_g = now_g
        if not self.filled:
            return self._filling(sample, now_g, before_g)
        if self.start_g is None:
            self.start_g = now_g
        trips = []
        lost = self.start_g - now_g
        if before_g is not None and before_g - now_g > self.limits.rate_g_per_min:
            text = f"fuel runs out fast: {before_g - now_g:.1f} g in a minute"
            trips.append(Trip(sample.t_s, "flood", None, text, Code.FAST))
        if lost > self.limits.total_g:
            text = f"more has gone than may go: {lost:.0f} g since the rack was full"
            trips.append(Trip(sample.t_s, "flood", None, text, Code.TOTAL))
        return trips

    def _filling(self, sample: Sample, now_g: float, before_g: float | None) -> list[Trip]:
        taken = (self.full_g or now_g) - now_g
        opened_for_s = sample.t_s - (self.opened_s or sample.t_s)
        slow = before_g is not None and before_g - now_g < _FLOW_ENDS_G_PER_MIN
        if (slow and opened_for_s > 2 * _WINDOW_S) or opened_for_s > _LONGEST_FILL_S:
            self.filled = True
        if taken <= self.rack_g + self.limits.fill_g_over:
            return []
        text = f"filling does not end: {taken:.0f} g for a rack of {self.rack_g:.0f} g"
        return [Trip(sample.t_s, "flood", None, text, Code.FILLING)]

    def _storm(self, sample: Sample) -> list[Trip]:
        trips = []
        for gate, drops in enumerate(self.drops):
            count = sum(number for _, number in drops)
            alone = sum(n for other in self.drops for _, n in other) < 1.5 * count
            if count >= self.limits.storm_drops and alone:
                text = f"carb {gate + 1} overflows: {count} drops in {_STORM_S:.0f} s"
                trips.append(Trip(sample.t_s, "flood", gate + 1, text, Code.STORM))
        return trips

    def _must_stop(self, sample: Sample) -> list[Trip]:
        """The valve is only shut when the flow says so."""
        if self.shut_s is None or sample.t_s < self.shut_s + _STOPS_WITHIN_S:
            return []
        now_g = self._median(sample.t_s - 5, sample.t_s)
        if now_g is None:
            return []
        if self.shut_g is None:
            self.shut_g = now_g
        lost = self.shut_g - now_g
        if sample.t_s > self.shut_s + _STOPS_WITHIN_S + _STOP_CHECK_S:
            self.shut_s = None
        if lost <= _MAY_STILL_LOSE_G:
            return []
        text = f"the valve does not stop the flow: {lost:.1f} g since it was shut; close the tap"
        return [Trip(sample.t_s, "bench", None, text, Code.VALVE_FAILED)]

    def _median(self, from_s: float, to_s: float) -> float | None:
        values = sorted(mass for t_s, mass in self.minute if from_s <= t_s <= to_s)
        # Two readings cannot outvote a spike.
        return values[len(values) // 2] if len(values) >= _LEAST_READINGS else None
