"""The simulated bench behind the same ports as the real one, in a time of its own."""

from __future__ import annotations

import math
import threading
import time

import numpy as np

from sim.cell import Cell, SimulatedThermometer
from sim.gates import Gates
from sim.record import knocks
from sim.scenario import Scenario
from sim.wires import Wires
from sim.world import World
from soakmon.bench.ports import BenchParts, Edge, Press, Reading


class PacedClock:
    """A clock that runs `pace` times as fast as the world outside, from start_wall_s."""

    def __init__(self, pace: float, start_wall_s: float) -> None:
        self.pace = pace
        self.started = time.monotonic()
        self.start_wall_s = start_wall_s

    def boot_s(self) -> float:
        """Seconds since the simulation began."""
        return (time.monotonic() - self.started) * self.pace

    def wall_s(self) -> float:
        """Wall time, running as fast."""
        return self.start_wall_s + self.boot_s()

    def synchronised(self) -> bool:
        """Always: there is no other clock."""
        return True

    def sleep(self, seconds: float) -> None:
        """Wait in simulated seconds."""
        time.sleep(seconds / self.pace)


class SteppedClock:
    """A clock that only moves when somebody sleeps, for runs as fast as the machine allows."""

    def __init__(self, start_wall_s: float = 1_800_000_000.0) -> None:
        self.now_s = 0.0
        self.wall_offset_s = start_wall_s

    def boot_s(self) -> float:
        """Seconds slept so far."""
        return self.now_s

    def wall_s(self) -> float:
        """Wall time; `wall_offset_s` may be set to make it jump."""
        return self.wall_offset_s + self.now_s

    def synchronised(self) -> bool:
        """Always."""
        return True

    def sleep(self, seconds: float) -> None:
        """Move on."""
        self.now_s += seconds


class SimulatedBench:
    """World and instruments that follow a clock; the parts below look at it.

    counts_per_g, zero_counts: the simulated converter, as bench.toml has it.
    """

    def __init__(
        self,
        scenario: Scenario,
        clock: PacedClock | SteppedClock,
        counts_per_g: float,
        zero_counts: float,
        *,
        seed: int | None = None,
        hours: float = 48.0,
    ) -> None:
        seed = scenario.seed if seed is None else seed
        self.clock = clock
        self.lock = threading.Lock()
        self.world = World(scenario, seed, hours)
        bangs = knocks(scenario, seed, hours)
        self.cell = Cell(scenario, self.world.weather, bangs, seed)
        self.gates = Gates(scenario, bangs, seed)
        self.thermometer = SimulatedThermometer(self.world.weather, seed, scenario.air)
        self.wires = Wires(len(scenario.geometry.bowls))
        self.feed_open = False
        self.counts_per_g = counts_per_g
        self.zero_counts = zero_counts
        self.lamp = self.buzzer = False
        self.stuck = [False] * len(scenario.geometry.bowls)
        self.presses: list[Press] = []
        self.vapour: bool | None = None
        self.broken = ""

    def catch_up(self) -> float:
        """Let the world go on to now; the time in s."""
        now_s = self.clock.boot_s()
        ahead = now_s - self.world.t_s
        if ahead > 0:
            self.world.advance(ahead, feed_open=self.feed_open)
        return now_s

    def count(self) -> float:
        """The converter's count now."""
        with self.lock:
            now_s = self.catch_up()
            mass = np.array([self.world.bottle_mass_g])
            reading = float(self.cell.read(np.array([now_s]), mass)[0])
        return reading if math.isnan(reading) else reading * self.counts_per_g + self.zero_counts

    def set_feed(self, feed_open: bool) -> None:
        """The valve moves."""
        with self.lock:
            self.catch_up()
            self.feed_open = feed_open

    def new_edges(self) -> list[Edge]:
        """Beams blocked and freed by what fell since the last look."""
        with self.lock:
            now_s = self.catch_up()
            bowls_c = self.world.weather.at(now_s)[2]
            counts = self.gates.read(
                np.array([now_s]), self.world.at_lip_g[None, :], np.array([bowls_c])
            )[0]
            self.stuck = [bool(np.isnan(c)) for c in counts]
            return self.wires.edges(self.gates.blips, now_s)

    def parts(self) -> BenchParts:
        """The bench as the service takes it."""
        return BenchParts(
            _Cell(self), _Gates(self), _Air(self), _Valve(self), _Panel(self), _Vapour(self),
            self.clock,
        )  # fmt: skip


class _Part:
    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench

    def close(self) -> None:
        """Nothing to let go of."""


class _Cell(_Part):
    def read(self) -> Reading:
        """The newest count, or why there is none."""
        if self.bench.broken:
            return Reading(None, self.bench.broken)
        count = self.bench.count()
        return Reading(None, "out of range") if math.isnan(count) else Reading(count)


class _Gates(_Part):
    @property
    def count(self) -> int:
        """Number of gates."""
        return len(self.bench.stuck)

    def edges(self) -> list[Edge]:
        """New edges."""
        return self.bench.new_edges()

    def blocked(self) -> tuple[bool | None, ...]:
        """Stuck gates stay blocked."""
        return tuple(self.bench.stuck)


class _Air(_Part):
    def read(self) -> Reading:
        """Air temperature in °C."""
        now_s = self.bench.clock.boot_s()
        return Reading(float(self.bench.thermometer.read(np.array([now_s]))[0]))


class _Valve(_Part):
    @property
    def is_open(self) -> bool:
        """Whether it is open."""
        return self.bench.feed_open

    def open(self) -> None:
        """Open."""
        self.bench.set_feed(True)

    def shut(self) -> None:
        """Shut."""
        self.bench.set_feed(False)

    def close(self) -> None:
        """Shut."""
        self.shut()


class _Panel(_Part):
    def show(self, *, lamp: bool, buzzer: bool) -> None:
        """Remember lamp and buzzer."""
        self.bench.lamp, self.bench.buzzer = lamp, buzzer

    def presses(self) -> list[Press]:
        """Presses since the last call."""
        pressed, self.bench.presses = self.bench.presses, []
        return pressed


class _Vapour(_Part):
    def active(self) -> bool | None:
        """The detector's contact."""
        return self.bench.vapour
