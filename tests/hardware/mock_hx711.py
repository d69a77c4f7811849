"""An HX711 at the level of its wires, for the drivers' tests.

Written from the data sheet, not from the drivers: DOUT falls when a conversion is ready; each
rising edge of PD_SCK shifts out one bit, first bit first; the 25th puts DOUT high again, and 25, 26
or 27 pulses choose what is converted next (A at 128, B at 32, A at 64). The clock high for more
than 60 µs powers the chip down; its falling edge wakes it at A, 128, with a first conversion after
the settling time. Beyond full scale it clamps.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

CHOICES = {25: ("A", 128), 26: ("B", 32), 27: ("A", 64)}
POWER_DOWN_S = 60e-6
SETTLING_S = 0.4
LOWEST, HIGHEST = -0x800000, 0x7FFFFF


class Hx711Chip:
    """The chip. count(channel, gain): what it would convert now; now_s: its time.

    unplugged: DOUT floats up; frozen: converts the same for ever; noise: standard deviation of the
    count; flip: chance that a bit is read wrong.
    """

    def __init__(
        self,
        count: Callable[[str, int], int],
        now_s: Callable[[], float],
        *,
        per_s: float = 10.0,
        seed: int = 1,
    ) -> None:
        self.count = count
        self.now_s = now_s
        self.period_s = 1 / per_s
        self.rng = random.Random(seed)
        self.unplugged = self.frozen = False
        self.noise = 0.0
        self.flip = 0.0
        self.choice = CHOICES[25]
        self.converted: list[tuple[str, int]] = []
        self._clock = False
        self._rose_s = 0.0
        self._pulses = 0
        self._word = 0
        self._last: int | None = None
        self._ready_s = now_s() + SETTLING_S

    def dout(self) -> bool:
        """The level of DOUT now."""
        if self.unplugged or self._asleep():
            return True
        if self._pulses == 0:
            return self.now_s() < self._ready_s
        if self._pulses > 24:
            self._finish_if_over()
            return True if self._pulses else self.now_s() < self._ready_s
        return bool(self._word >> (24 - self._pulses) & 1) != (self.rng.random() < self.flip)

    def clock(self, level: bool) -> None:
        """PD_SCK changes to a level."""
        now_s = self.now_s()
        if level == self._clock:
            return
        slept = self._asleep()
        self._clock = level
        if level:
            self._finish_if_over()
            self._rose_s = now_s
            self._pulse()
        elif slept:
            self._pulses, self.choice = 0, CHOICES[25]
            self._ready_s = now_s + SETTLING_S

    def _asleep(self) -> bool:
        return self._clock and self.now_s() - self._rose_s > POWER_DOWN_S

    def _pulse(self) -> None:
        if self._pulses == 0:
            if self.now_s() < self._ready_s:
                return  # nothing to read yet
            self._word = self._convert() & 0xFFFFFF
        self._pulses += 1
        if self._pulses in CHOICES:
            self.choice = CHOICES[self._pulses]
            self._ready_s = self.now_s() + self.period_s

    def _finish_if_over(self) -> None:
        """The pulses of one read are over once the next conversion is ready."""
        if self._pulses > 24 and self.now_s() >= self._ready_s:
            self._pulses = 0

    def _convert(self) -> int:
        if self.frozen and self._last is not None:
            return self._last
        exact = self.count(*self.choice) + round(self.rng.gauss(0, self.noise))
        self._last = min(max(exact, LOWEST), HIGHEST)
        self.converted.append(self.choice)
        return self._last


class ClockPin(MockPin):
    """The Pi's pin at PD_SCK: its edges reach the chip."""

    chip: Hx711Chip | None = None

    def _change_state(self, value: bool) -> bool:
        changed: bool = super()._change_state(value)
        if changed and self.chip is not None:
            self.chip.clock(bool(value))
        return changed


class DataPin(MockPin):
    """The Pi's pin at DOUT: it reads what the chip says."""

    chip: Hx711Chip | None = None

    def _get_state(self) -> bool:
        return self._state if self.chip is None else self.chip.dout()


def wire(factory: MockFactory, data_pin: int, clock_pin: int, chip: Hx711Chip) -> None:
    """Connect a chip to two pins of a mock factory, before a driver claims them."""
    clock: Any = factory.pin(clock_pin, pin_class=ClockPin)
    data: Any = factory.pin(data_pin, pin_class=DataPin)
    clock.chip = data.chip = chip


class MockSpi:
    """An SPI bus whose MOSI is the chip's PD_SCK and MISO its DOUT; `clock` passes the bits' time.

    Mode 0: MOSI is set at the start of a bit, MISO looked at half a bit later.
    """

    def __init__(self, chip: Hx711Chip, pass_s: Callable[[float], None]) -> None:
        self.chip = chip
        self.pass_s = pass_s
        self.max_speed = 125_000_000
        self.mode = 3
        self.closed = False

    def transfer(self, values: list[int]) -> list[int]:
        """Send bytes and give back those received meanwhile."""
        return [self._byte(value) for value in values]

    def _byte(self, value: int) -> int:
        received = 0
        for place in range(7, -1, -1):
            self.chip.clock(bool(value >> place & 1))
            self.pass_s(0.5 / self.max_speed)
            received = received << 1 | self.chip.dout()
            self.pass_s(0.5 / self.max_speed)
        return received

    def close(self) -> None:
        """Let go of the bus."""
        self.closed = True
