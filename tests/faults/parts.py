"""The parts of a bench, each as broken as somebody wants it, around the simulated ones."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from sim.parts import SimulatedBench
from soakmon.bench.ports import BenchParts, Edge, Press, Reading

# What stays in a bottle that runs out.
_DREGS_G = 1.0


class Cell(StrEnum):
    """What is wrong with the load cell's readings."""

    WELL = "well"
    NONE = "none"
    NAN = "nan"
    FROZEN = "frozen"
    SPIKES = "spikes"
    SPARSE = "sparse"
    SATURATED = "saturated"
    WRONG_SIGN = "wrong sign"
    RAISES = "raises"


class Valve(StrEnum):
    """What is wrong with the valve."""

    WELL = "well"
    STICKS_OPEN = "sticks open"
    LEAKS = "leaks"
    OPENS = "opens by itself"
    PIN = "its pin goes up by itself"
    RAISES = "raises when it is shut"


class Gate(StrEnum):
    """What is wrong with the first gate."""

    WELL = "well"
    STUCK = "stuck"
    NOISY = "noisy"
    RAISES = "raises"


@dataclass
class Faults:
    """What is broken now; sparse_s: between two readings; leak_g_per_s: through a shut valve."""

    cell: Cell = Cell.WELL
    sparse_s: float = 30.0
    valve: Valve = Valve.WELL
    leak_g_per_s: float = 0.5
    gate: Gate = Gate.WELL
    air: str = ""
    panel: str = ""
    ever: set[str] = field(default_factory=set)

    def heal(self) -> None:
        """Everything is mended; what was broken once is remembered."""
        ever = self.ever
        self.__init__()  # type: ignore[misc]
        self.ever = ever


class BootClock:
    """The machine's clock: begins anew with every boot, and its wall time may jump."""

    def __init__(self, world) -> None:
        self.world = world
        self.booted_s = 0.0
        self.jumped_s = 0.0
        self.knows = True

    def boot_s(self) -> float:
        return self.world.boot_s() - self.booted_s

    def wall_s(self) -> float:
        return self.world.wall_s() + self.jumped_s

    def synchronised(self) -> bool:
        return self.knows

    def sleep(self, seconds: float) -> None:
        self.world.sleep(seconds)


class _Part:
    def __init__(self, bench: FaultyBench) -> None:
        self.bench = bench
        self.faults = bench.faults
        self.world = bench.world

    def close(self) -> None:
        """Nothing to let go of."""


class _Cell(_Part):
    def __init__(self, bench: FaultyBench) -> None:
        super().__init__(bench)
        self.last = 0.0
        self.due_s = 0.0
        self.mirror = 0.0
        self.before = Cell.WELL
        self.rng = np.random.default_rng(7)

    def read(self) -> Reading:
        fault, count = self.faults.cell, self.world.count()
        if fault is not self.before:
            self.before, self.mirror = fault, count
        now_s = self.world.clock.boot_s()
        if fault is Cell.RAISES:
            raise OSError("the bus does not answer")
        if fault is Cell.NONE or math.isnan(count):
            return Reading(None, "no answer")
        if fault is Cell.SPARSE:
            if now_s < self.due_s:
                return Reading(None, "not ready")
            self.due_s = now_s + self.faults.sparse_s
        spiky = fault is Cell.SPIKES and self.rng.random() < 0.02
        said = {
            Cell.NAN: math.nan,
            Cell.FROZEN: self.last,
            Cell.SATURATED: 8_388_607.0,
            Cell.WRONG_SIGN: 2 * self.mirror - count,
        }.get(fault, count)
        self.last = said if math.isfinite(said) else self.last
        return Reading(said + 400_000.0 if spiky else said)


class _Gates(_Part):
    def __init__(self, bench: FaultyBench) -> None:
        super().__init__(bench)
        self.rng = np.random.default_rng(8)
        self.count = len(bench.world.stuck)

    def edges(self) -> list[Edge]:
        if self.faults.gate is Gate.RAISES:
            raise OSError("the gates do not answer")
        shift_s = self.bench.clock.booted_s
        found = [Edge(e.gate, e.t_s - shift_s, e.blocked) for e in self.world.new_edges()]
        if self.faults.gate is Gate.NOISY and self.rng.random() < 0.2:
            now_s = self.bench.clock.boot_s()
            found += [Edge(0, now_s - 0.01, True), Edge(0, now_s - 0.005, False)]
        return found

    def blocked(self) -> tuple[bool | None, ...]:
        stuck = list(self.world.stuck)
        stuck[0] = stuck[0] or self.faults.gate is Gate.STUCK
        return tuple(stuck)


class _Air(_Part):
    def read(self) -> Reading:
        if self.faults.air == "raises":
            raise OSError("the thermometer does not answer")
        if self.faults.air:
            return Reading(None, "not there")
        now_s = self.world.clock.boot_s()
        return Reading(float(self.world.thermometer.read(np.array([now_s]))[0]))


class _Valve(_Part):
    @property
    def is_open(self) -> bool:
        return self.bench.commanded

    def open(self) -> None:
        self.bench.opened()
        self.bench.command(True)

    def shut(self) -> None:
        if self.faults.valve is Valve.RAISES and self.bench.commanded:
            raise OSError("the pin does not answer")
        self.bench.command(False)

    def close(self) -> None:
        self.bench.command(False)


class _Panel(_Part):
    def show(self, *, lamp: bool, buzzer: bool) -> None:
        if self.faults.panel:
            raise OSError("the panel does not answer")
        self.world.lamp, self.world.buzzer = lamp, buzzer

    def presses(self) -> list[Press]:
        pressed, self.world.presses = self.world.presses, []
        return pressed


class _Vapour(_Part):
    def active(self) -> bool | None:
        return self.world.vapour


class FaultyBench:
    """A simulated bench whose parts break.

    commanded: what the service wants of the valve; openings: world times (s) at which it was
    opened.
    """

    def __init__(self, world: SimulatedBench) -> None:
        self.world = world
        self.faults = Faults()
        self.clock = BootClock(world.clock)
        self.commanded = False
        self.openings: list[float] = []

    @property
    def blind(self) -> bool:
        """Whether the cell says nothing that could be a mass."""
        return self.faults.cell in {Cell.NONE, Cell.NAN, Cell.SATURATED}

    def parts(self) -> BenchParts:
        return BenchParts(
            _Cell(self), _Gates(self), _Air(self), _Valve(self), _Panel(self), _Vapour(self),
            self.clock,
        )  # fmt: skip

    def opened(self) -> None:
        if not self.commanded:
            self.openings.append(self.world.clock.boot_s())

    def command(self, feed_open: bool) -> None:
        """The valve's magnet; the valve follows as far as it can."""
        self.commanded = feed_open
        self.follow()

    def follow(self) -> None:
        """Move the valve to where magnet and faults put it."""
        fault = self.faults.valve
        stuck = fault is Valve.STICKS_OPEN and self.world.feed_open
        self.world.set_feed(self.commanded or stuck or fault is Valve.OPENS)

    def pass_time(self, seconds: float) -> None:
        """Let the world go on, with what a shut valve lets through."""
        self.world.clock.sleep(seconds)
        self.follow()
        if self.faults.valve is Valve.LEAKS and not self.world.feed_open:
            bottle = self.world.world.bottle_g
            held_g = float(bottle.sum())
            left_g = max(held_g - self.faults.leak_g_per_s * seconds, min(held_g, _DREGS_G))
            bottle *= left_g / max(held_g, 1e-9)
