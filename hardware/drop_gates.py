"""The optical drop gates: every raw edge with its time, nothing debounced.

The time stamp is the kernel's where the backend hands it on (lgpio does), so a busy Python does not
move drops. Debouncing is left to DropMerger: asked of the pins it swallows short pulses on some
backends and the edge after on others.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from gpiozero import DigitalInputDevice

from hardware.pins import claim, let_go, pin_errors
from soakmon.bench.ports import Edge


class _Beam:
    """One gate: its device, and the callback that does nothing but queue."""

    def __init__(self, gate: int, device: Any, blocked_is_high: bool, queue: deque[Any]) -> None:
        self.gate = gate
        self.device = device
        self.blocked_is_high = blocked_is_high
        self._append = queue.append
        device.pin.when_changed = self._changed

    def _changed(self, ticks: float, state: int) -> None:
        self._append((ticks, self.gate, state))

    def blocked(self) -> bool | None:
        """Whether the beam is blocked now."""
        try:
            return bool(self.device.pin.state) == self.blocked_is_high
        except pin_errors():
            return None


class PinDropGates:
    """Gates on GPIO pins; edges carry the time of now_s (the bench's boot clock)."""

    def __init__(
        self,
        pins: Sequence[int],
        factory: Any,
        now_s: Callable[[], float],
        *,
        blocked_is_high: bool = True,
    ) -> None:
        self._queue: deque[tuple[float, int, int]] = deque()
        self._blocked_is_high = blocked_is_high
        self._factory = factory
        # Ticks are only to be compared by the factory: they are tied to the clock once, since tying
        # them anew at every call would let edges of two calls change places.
        self._ticks_zero, self._zero_s = factory.ticks() if pins else 0.0, now_s()
        self._beams: list[_Beam] = []
        try:
            for gate, pin in enumerate(pins):
                device = claim("gates.pins", pin, partial(self._device, pin))
                self._beams.append(_Beam(gate, device, blocked_is_high, self._queue))
        except Exception:  # whatever it was: let go of the pins, then pass it on
            self.close()
            raise

    def _device(self, pin: int) -> DigitalInputDevice:
        # The pull makes a cut wire read as a blocked beam, which is noticed, and not as a free one.
        return DigitalInputDevice(
            pin, pull_up=self._blocked_is_high, bounce_time=None, pin_factory=self._factory
        )

    @property
    def count(self) -> int:
        """Number of gates."""
        return len(self._beams)

    def edges(self) -> list[Edge]:
        """Raw edges since the last call, oldest first."""
        raw = [self._queue.popleft() for _ in range(len(self._queue))]
        return sorted((self._edge(*item) for item in raw), key=lambda edge: edge.t_s)

    def _edge(self, ticks: float, gate: int, state: int) -> Edge:
        t_s = self._zero_s + self._factory.ticks_diff(ticks, self._ticks_zero)
        return Edge(gate, t_s, bool(state) == self._blocked_is_high)

    def blocked(self) -> tuple[bool | None, ...]:
        """Whether each beam is blocked now; None where that cannot be known."""
        return tuple(beam.blocked() for beam in self._beams)

    def close(self) -> None:
        """Let go of the pins."""
        let_go(*(beam.device for beam in self._beams))
