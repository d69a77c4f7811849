"""Drops as trains of edges on mock pins: what an optical gate's wire really does.

A drop of 2-3 mm falling some centimetres is before a beam for 2-10 ms. Its edges ring, its tail
blinks, a motor nearby sends glitches of microseconds, and a hand or a leaf blocks for seconds.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from gpiozero.pins.mock import MockFactory, MockPin

RING_S = 0.003
GLITCH_S = 0.00015


@dataclass(frozen=True, slots=True, order=True)
class Change:
    """A change of one gate's beam at a time in s."""

    t_s: float
    gate: int
    blocked: bool


class Trains:
    """Composes what blocks the beams of several gates; what overlaps is one block."""

    def __init__(self, seed: int = 1) -> None:
        self.rng = random.Random(seed)
        self.blocks: list[tuple[int, float, float]] = []

    def block(self, gate: int, t_s: float, lasts_s: float) -> None:
        """One clean block of the beam."""
        self.blocks.append((gate, t_s, t_s + lasts_s))

    def drop(self, gate: int, t_s: float, lasts_s: float = 0.005, rings: int = 2) -> None:
        """A drop: blinks for RING_S while it enters, its body for lasts_s, blinks for RING_S."""
        self._ring(gate, t_s, rings)
        self.block(gate, t_s + RING_S, lasts_s)
        self._ring(gate, t_s + RING_S + lasts_s, rings)

    def _ring(self, gate: int, from_s: float, count: int) -> None:
        for _ in range(count):
            lasts_s = self.rng.uniform(0.00003, 0.0006)
            self.block(gate, from_s + self.rng.uniform(0, RING_S - lasts_s), lasts_s)

    def glitch(self, gate: int, t_s: float) -> None:
        """An electrical blink, shorter than any drop."""
        self.block(gate, t_s, self.rng.uniform(0.000005, GLITCH_S))

    def satellite(self, gate: int, t_s: float) -> None:
        """The small drop that follows the one of t_s, 20 to 60 ms late (computed, 0.6 mm)."""
        self.block(gate, t_s + self.rng.uniform(0.02, 0.06), self.rng.uniform(0.0004, 0.001))

    def switched(self, gate: int, t_s: float) -> None:
        """A load is switched nearby: a train of electrical blinks over some milliseconds."""
        for _ in range(self.rng.randint(1, 12)):
            self.glitch(gate, t_s + self.rng.uniform(0, 0.01))

    def insect(self, gate: int, t_s: float) -> None:
        """Something that sits down in the beam for seconds; its legs blink as it comes."""
        self._ring(gate, t_s, self.rng.randint(0, 3))
        self.block(gate, t_s + RING_S, self.rng.uniform(1.5, 20.0))

    def in_order(self) -> list[Change]:
        """All changes, oldest first."""
        changes: list[Change] = []
        end_s: dict[int, float] = {}
        for gate, from_s, to_s in sorted(self.blocks):
            if from_s <= end_s.get(gate, float("-inf")):
                end_s[gate] = max(end_s[gate], to_s)
                continue
            if gate in end_s:
                changes.append(Change(end_s[gate], gate, False))
            changes.append(Change(from_s, gate, True))
            end_s[gate] = to_s
        changes += [Change(to_s, gate, False) for gate, to_s in end_s.items()]
        return sorted(changes)


class TimedPin(MockPin):
    """A mock pin whose edges carry the time they are said to have, as the kernel's do."""

    def drive_at(self, high: bool, t_s: float) -> None:
        """The level changes at t_s; no event where it is the same."""
        if bool(self.state) == high:
            return
        self._state = high
        if self._when_changed is not None:
            super(MockPin, self)._call_when_changed(t_s, high)


class TimedFactory(MockFactory):
    """Mock pins with a time of their own, set by hand."""

    def __init__(self) -> None:
        super().__init__(pin_class=TimedPin)
        self.now_s = 0.0

    def ticks(self) -> float:
        """The time set last."""
        return self.now_s


def play(
    factory: TimedFactory,
    pins: tuple[int, ...],
    changes: list[Change],
    blocked_is_high: bool = True,
) -> None:
    """Play changes on the gates' pins, each at its own time."""
    for change in changes:
        factory.now_s = change.t_s
        factory.pin(pins[change.gate]).drive_at(change.blocked == blocked_is_high, change.t_s)
