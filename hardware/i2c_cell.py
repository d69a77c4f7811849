"""The load cell on an NAU7802: a 24-bit bridge converter on I²C.

Registers and bits as the Linux driver names them (drivers/iio/adc/nau7802.c) and, for calibration
and the chopper clock, from memory of the data sheet: reset, power up digital and wait until ready,
power up analogue, 3.0 V from the chip's own regulator to the bridge, gain 128, offset calibration.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from hardware.frozen import FreezeFilter
from hardware.hx711_count import HIGHEST, LOWEST, decode
from soakmon.bench.ports import Reading

ADDRESS = 0x2A
WAIT_S = 0.2
PU_CTRL, CTRL1, CTRL2, ADC_B2, ADC_CTRL = 0x00, 0x01, 0x02, 0x12, 0x15
RESET, POWER_DIGITAL, POWER_ANALOGUE, POWERED = 0x01, 0x02, 0x04, 0x08
CYCLE_START, CYCLE_READY, OWN_REGULATOR = 0x10, 0x20, 0x80
GAIN_128 = 0x07
REGULATOR_3V0 = (4500 - 3000) // 300 << 3
RATES = {10: 0 << 4, 20: 1 << 4, 40: 2 << 4, 80: 3 << 4}
CALIBRATE, CALIBRATION_FAILED = 0x04, 0x08
CHOPPER_OFF = 0x30
_ON = POWER_DIGITAL | POWER_ANALOGUE | OWN_REGULATOR
SETTLING = 6  # conversions thrown away after a set-up, as many as the Linux driver does
_POLL_S = 0.005
_POWER_UP_S = 0.1  # data sheet: 200 µs
_CALIBRATE_S = 1.5  # four conversions at 10 per second and then some


class Bus(Protocol):
    """What is used of smbus2.SMBus."""

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        """One register."""

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None:
        """Set one register."""

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        """Several registers at once."""

    def close(self) -> None:
        """Let go of the bus."""


class LostError(OSError):
    """The chip has to be set up afresh."""


class I2cCell:
    """An NAU7802, set up at the first read and again only when it has lost its settings.

    Every set-up calibrates the chip's offset afresh and so shifts the zero a little: a disturbed
    bus alone must not cause one. The set-up takes longer than one read may: it goes on from read
    to read, and the readings until then are None with what is being waited for.
    """

    def __init__(
        self,
        open_bus: Callable[[], Bus],
        readings_per_s: float = 10.0,
        now_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._open_bus = open_bus
        self._rate = RATES[min((rate for rate in RATES if rate >= readings_per_s), default=80)]
        self._now_s = now_s
        self._sleep = sleep
        self._bus: Bus | None = None
        self._ready = False
        self._unsettled = SETTLING
        self._calibrating_since_s: float | None = None
        self._freeze = FreezeFilter()

    def read(self) -> Reading:
        """The newest conversion in counts; waits for one at most 0.2 s."""
        deadline_s = self._now_s() + WAIT_S
        try:
            reading = self._set_up(deadline_s) or self._convert(deadline_s)
        except OSError as problem:
            if isinstance(problem, LostError) or not self._ready:
                self._ready, self._calibrating_since_s = False, None
            self._drop_bus()
            return Reading(None, f"the converter does not answer on I²C ({problem})")
        return self._freeze.look(reading, self._now_s())

    def close(self) -> None:
        """Let go of the bus."""
        self._drop_bus()

    def _drop_bus(self) -> None:
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.close()
            except OSError:
                return

    def _set_up(self, deadline_s: float) -> Reading | None:
        """None once the chip is ready, or the reading that says what it waits for."""
        if self._ready:
            return None
        if self._calibrating_since_s is None:
            self._calibrating_since_s = self._power_up()
        since_s = self._calibrating_since_s
        bus = self._bus_now()
        while (state := bus.read_byte_data(ADDRESS, CTRL2)) & CALIBRATE:
            if self._now_s() - since_s > _CALIBRATE_S:
                raise LostError("its calibration does not end")
            if self._now_s() >= deadline_s:
                return Reading(None, "the converter is calibrating itself")
            self._sleep(_POLL_S)
        if state & CALIBRATION_FAILED:
            raise LostError("its calibration failed")
        bus.write_byte_data(ADDRESS, PU_CTRL, _ON | CYCLE_START)
        self._ready, self._unsettled = True, SETTLING
        return None

    def _power_up(self) -> float:
        bus = self._bus_now()
        bus.write_byte_data(ADDRESS, PU_CTRL, RESET)
        bus.write_byte_data(ADDRESS, PU_CTRL, POWER_DIGITAL)
        began_s = self._now_s()
        while not bus.read_byte_data(ADDRESS, PU_CTRL) & POWERED:
            if self._now_s() - began_s > _POWER_UP_S:
                raise LostError("it does not power up")
            self._sleep(_POLL_S)
        bus.write_byte_data(ADDRESS, PU_CTRL, _ON)
        bus.write_byte_data(ADDRESS, CTRL1, REGULATOR_3V0 | GAIN_128)
        bus.write_byte_data(ADDRESS, ADC_CTRL, CHOPPER_OFF)
        bus.write_byte_data(ADDRESS, CTRL2, self._rate | CALIBRATE)
        return self._now_s()

    def _bus_now(self) -> Bus:
        if self._bus is None:
            self._bus = self._open_bus()
        return self._bus

    def _convert(self, deadline_s: float) -> Reading:
        bus = self._bus_now()
        while not (state := bus.read_byte_data(ADDRESS, PU_CTRL)) & CYCLE_READY:
            if not state & POWER_DIGITAL:
                raise LostError("it lost its power and its settings")
            if self._now_s() >= deadline_s:
                return Reading(None, f"no conversion within {WAIT_S:g} s")
            self._sleep(_POLL_S)
        high, middle, low = bus.read_i2c_block_data(ADDRESS, ADC_B2, 3)
        if self._unsettled:
            self._unsettled -= 1
            return Reading(None, "the converter is settling")
        count = decode(high << 16 | middle << 8 | low)
        if count in {LOWEST, HIGHEST}:
            return Reading(None, "saturated: overload or a broken bridge wire")
        return Reading(float(count))


def smbus(number: int) -> Callable[[], Bus]:
    """Opens I²C bus `number` through smbus2."""

    def open_bus() -> Bus:
        try:
            from smbus2 import SMBus  # noqa: PLC0415 - an extra, only on a Pi
        except ImportError as problem:
            raise OSError("smbus2 is not installed: pip install 'soakmon[pi]'") from problem
        bus: Bus = SMBus(number)
        return bus

    return open_bus
