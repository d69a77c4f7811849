"""A time that tests set by hand, and chips wired to mock pins."""

from __future__ import annotations

from gpiozero.pins.mock import MockFactory

from hardware.hx711_pins import Hx711PinsCell
from hardware.hx711_spi import Hx711SpiCell
from tests.hardware.mock_hx711 import Hx711Chip, MockSpi, wire


class HandClock:
    """Passes step_s at every look, plus what late_s holds for that look."""

    def __init__(self, step_s: float = 1e-6) -> None:
        self.t_s = 100.0
        self.step_s = step_s
        self.late_s: dict[int, float] = {}
        self.looks = 0

    def now_s(self) -> float:
        return self.t_s

    def timer_s(self) -> float:
        self.looks += 1
        self.t_s += self.step_s + self.late_s.pop(self.looks, 0.0)
        return self.t_s

    def sleep(self, seconds: float) -> None:
        self.t_s += seconds

    boot_s = timer_s

    def wall_s(self) -> float:
        return 1.7e9 + self.t_s

    def synchronised(self) -> bool:
        return True


def pins_cell(count, factory=None, **traits) -> tuple[Hx711PinsCell, Hx711Chip, HandClock]:
    clock, factory = HandClock(), factory or MockFactory()
    chip = Hx711Chip(count, clock.now_s, **traits)
    wire(factory, 5, 6, chip)
    cell = Hx711PinsCell(5, 6, factory, clock.timer_s, clock.sleep)
    clock.sleep(0.5)
    return cell, chip, clock


def spi_cell(count, **traits) -> tuple[Hx711SpiCell, Hx711Chip, HandClock]:
    clock = HandClock()
    chip = Hx711Chip(count, clock.now_s, **traits)
    cell = Hx711SpiCell(lambda: MockSpi(chip, clock.sleep), clock.timer_s, clock.sleep)
    clock.sleep(0.5)
    return cell, chip, clock


def delay(chip: Hx711Chip, clock: HandClock, pulse: int, late_s: float, *, level: bool) -> None:
    """The machine takes late_s before it sets the clock of this pulse from now to a level."""
    edges, set_clock = [], chip.clock

    def late(new: bool) -> None:
        edges.append(new)
        if new == level and edges.count(level) == pulse:
            clock.sleep(late_s)
        set_clock(new)

    setattr(chip, "clock", late)  # noqa: B010 - a method of its own
