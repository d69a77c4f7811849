"""The sampler thread's work: read the parts, ask the guard, hand the rows on; nothing delays it."""

from __future__ import annotations

import logging
import math
import queue
import threading
from collections.abc import Callable
from enum import StrEnum

from soakmon.bench.alarms import Alarms, Wrong, of_trip
from soakmon.bench.feed import Feed
from soakmon.bench.guard import Code, Guard, Trip
from soakmon.bench.ports import BenchParts
from soakmon.bench.sampler import Sampler, Scale
from soakmon.bench.work import Beats, Work
from soakmon.config import Bench
from soakmon.errors import named
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.texts import say

log = logging.getLogger(__name__)
_STEADY_S = 5.0


class Sampling:
    """Sampler and guard of the soak that runs, or of the bench at rest.

    work: where rows go. sound: raises an alarm of the service itself. levels: what keeps the feed
    shut now, by the guard.
    """

    def __init__(
        self,
        bench: Bench,
        parts: BenchParts,
        feed: Feed,
        alarms: Alarms,
        *,
        beats: Beats,
        work: queue.Queue[Work],
        sound: Callable[[str, str, StrEnum], None],
    ) -> None:
        self.bench, self.parts, self.clock = bench, parts, parts.clock
        self.feed, self.alarms, self.beats = feed, alarms, beats
        self.work, self.sound = work, sound
        self.scale = Scale(bench.cell.g_per_count, bench.cell.zero_counts, bench.cell.capacity_g)
        self.lock = threading.Lock()
        self.levels: tuple[Trip, ...] = ()
        self.keeper_late = False
        self.sampled_s = self.unsteady_s = -math.inf
        self.sampler, self.guard = self._new(0.0)

    def begin(self, t_s: float, *, filled: bool = False) -> None:
        """Sample for another soak, whose time is t_s now; filled: its rack is full already."""
        air_c = self.sampler.air_c
        with self.lock:
            self.sampler, self.guard = self._new(t_s)
            self.sampler.take_air(None if math.isnan(air_c) else air_c, t_s)
            self.levels = ()
            if filled:
                self.guard.already_filled()

    def _new(self, t_s: float) -> tuple[Sampler, Guard]:
        dead_s = 1e-3 * self.bench.gates.dead_time_ms
        sampler = Sampler(self.parts, self.scale, dead_s, self.clock.boot_s(), t_s)
        return sampler, Guard(self.bench.guard, _rack_g(self.bench))

    def t_s(self) -> float:
        """Time of the soak now, in s."""
        return self.clock.boot_s() + self.sampler.offset_s

    def sample(self) -> None:
        """One sample: read, guard, and hand on; never raises an Exception."""
        try:
            self._sample()
        except Exception as error:  # nobody watches, whatever it was: shut, and told once
            unseen = self.feed.unseen
            self.feed.unseen = say("service.bench_cannot_read", error=named(error))
            self.feed.pause()
            if not unseen:
                log.exception("sampling failed")
                self.sound("bench", self.feed.unseen, Wrong.FAILED)
        else:
            self.feed.unseen = ""
        self._look_at_keeper()

    def _sample(self) -> None:
        with self.lock:
            source = self.sampler
            sample, row = source.sample()
            trips = self.guard.step(sample)
            self.levels = self.guard.must_be_shut
            drops = source.take_drops()
        for trip in trips:
            log.warning("guard: %s", trip.text)
            self.alarms.sound(of_trip(trip))
        if sample.feed_open:
            self.feed.seen_open()
        self.feed.hold()
        if row is not None or drops:
            self.work.put(Work(source, row, drops))

    def _look_at_keeper(self) -> None:
        """Who watches the others is watched as well; told once."""
        now_s = self.clock.boot_s()
        if now_s - self.sampled_s > _STEADY_S:
            # All may have stood still: the keeper is not late before it has had its turn.
            self.unsteady_s = now_s
        self.beats.sampler_s = self.sampled_s = now_s
        kept_s = self.beats.keeper_s
        late = kept_s is not None and now_s - kept_s > self.bench.guard.hung_s
        late = late and now_s - self.unsteady_s > _STEADY_S
        if late and not self.keeper_late:
            self.sound("bench", say("service.no_sign_life_from_keeper"), Code.HUNG)
        self.keeper_late = late

    def read_air(self) -> None:
        """Read the thermometer and hand the value to the sampler."""
        reading = self.parts.thermometer.read()
        with self.lock:
            self.sampler.take_air(reading.value, self.t_s())


def _rack_g(bench: Bench) -> float:
    """Fuel that bowls and hose take, g."""
    settings = bench.settings()
    volume_ml = settings.geometry.hose.volume_ml
    volume_ml += sum(bowl.volume_ml for bowl in settings.geometry.bowls)
    return volume_ml * 1e-3 * float(density_kg_per_m3(settings.fuel, 20.0))
