"""The real bench from its bench.toml: the only place that chooses drivers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from hardware.absent import NoPanel, NoThermometer, NoValve, NoVapour
from hardware.clock import LinuxClock
from hardware.drop_gates import PinDropGates
from hardware.hx711_pins import Hx711PinsCell
from hardware.hx711_spi import Hx711SpiCell, spi_bus
from hardware.i2c_cell import I2cCell, smbus
from hardware.iio_cell import IioCell
from hardware.one_wire import OneWireThermometer
from hardware.panel import PinPanel
from hardware.pins import lgpio_factory
from hardware.power import power_troubles
from hardware.valve import PinValve
from hardware.vapour import PinVapour
from soakmon.bench.ports import (
    BenchParts,
    Clock,
    LoadCell,
    Panel,
    Thermometer,
    Valve,
    VapourContact,
)
from soakmon.config import Bench

Part = TypeVar("Part")


class _Builder:
    """Builds part after part; what was built is let go of when a later one fails."""

    def __init__(self, bench: Bench, factory: Any, clock: Clock) -> None:
        self.bench = bench
        self._factory = factory
        self.clock = clock
        self.built: list[Any] = []

    def factory(self) -> Any:
        """The pin factory, asked for only by a bench that has pins."""
        if self._factory is None:
            self._factory = lgpio_factory()
        return self._factory

    def keep(self, make: Callable[[], Part]) -> Part:
        """The part that make() gives, remembered."""
        try:
            part = make()
        except Exception:  # whatever it was: let go of the pins, then pass it on
            for earlier in self.built:
                earlier.close()
            raise
        self.built.append(part)
        return part

    def valve(self) -> Valve:
        section = self.bench.valve
        if section.driver == "none":
            return NoValve()
        return PinValve(section.pin, self.factory(), active_high=section.active_high)

    def panel(self) -> Panel:
        section = self.bench.panel
        return PinPanel(section, self.factory(), self.clock.boot_s) if section.fitted else NoPanel()

    def vapour(self) -> VapourContact:
        section = self.bench.vapour
        return PinVapour(section.pin, self.factory()) if section.fitted else NoVapour()

    def gates(self) -> PinDropGates:
        section = self.bench.gates
        return PinDropGates(
            section.pins,
            self.factory() if section.pins else None,
            self.clock.boot_s,
            blocked_is_high=section.blocked_is_high,
        )

    def thermometer(self) -> Thermometer:
        section = self.bench.thermometer
        return (
            NoThermometer() if section.driver == "none" else OneWireThermometer(section.sensor_id)
        )

    def cell(self) -> LoadCell:
        section = self.bench.cell
        match section.driver:
            case "iio":
                return IioCell(Path(section.iio_path))
            case "i2c":
                return I2cCell(smbus(section.i2c_bus), section.readings_per_s)
            case "hx711_spi":
                return Hx711SpiCell(spi_bus(section.spi_bus, section.spi_device))
            case "hx711_pins":
                return Hx711PinsCell(section.data_pin, section.clock_pin, self.factory())


def build_cell(bench: Bench, *, factory: Any = None) -> LoadCell:
    """The load cell alone, as it is wired. Raises TroubleError for pins that cannot be had."""
    return _Builder(bench, factory, LinuxClock()).cell()


def build_parts(bench: Bench, *, factory: Any = None, clock: Clock | None = None) -> BenchParts:
    """All parts of the bench as it is wired. factory: pins other than the Pi's own, for tests.

    The valve comes first: whatever fails after, it has been shut. Sensors that are broken or
    missing are no error here, their readings say so. Raises TroubleError for pins that cannot be
    had.
    """
    builder = _Builder(bench, factory, clock or LinuxClock())
    valve = builder.keep(builder.valve)
    return BenchParts(
        valve=valve,
        panel=builder.keep(builder.panel),
        vapour=builder.keep(builder.vapour),
        gates=builder.keep(builder.gates),
        thermometer=builder.keep(builder.thermometer),
        cell=builder.keep(builder.cell),
        clock=builder.clock,
        supply=power_troubles,
    )
