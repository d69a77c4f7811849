"""The air thermometer on the 1-wire bus, read through the kernel by w1thermsensor."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Protocol

from soakmon.bench.ports import Reading

LOWEST_C, HIGHEST_C = -30.0, 60.0
POWER_ON_C = 85.0  # what the sensor holds before its first conversion (data sheet, DS18B20)


class Sensor(Protocol):
    """What is used of w1thermsensor.W1ThermSensor."""

    def get_temperature(self) -> float:
        """Temperature in °C; raises when the sensor is gone or its checksum is wrong."""


def open_sensor(sensor_id: str) -> Sensor:
    """The sensor with this number, or the only one; raises where there is none."""
    # On its import the library calls modprobe, which a service without privileges may not do.
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    from w1thermsensor import W1ThermSensor  # noqa: PLC0415 - an extra, only on a Pi

    sensor: Sensor = W1ThermSensor(sensor_id=sensor_id or None)
    return sensor


class OneWireThermometer:
    """A thermometer that may be missing, come back, or talk nonsense."""

    def __init__(
        self, sensor_id: str = "", open_sensor: Callable[[str], Sensor] = open_sensor
    ) -> None:
        # The kernel's name is family and number, 28-0123...; the library wants the number.
        self._id = sensor_id.partition("-")[2] or sensor_id
        self._open_sensor = open_sensor
        self._sensor: Sensor | None = None

    def read(self) -> Reading:
        """Temperature in °C; takes about a second."""
        try:
            if self._sensor is None:
                self._sensor = self._open_sensor(self._id)
            air_c = float(self._sensor.get_temperature())
        except ImportError:
            return Reading(None, "w1thermsensor is not installed: pip install 'soakmon[pi]'")
        # The library raises errors of its own for a lost sensor and a wrong checksum, and lets
        # those of the kernel's files and of unreadable text through: all mean no reading.
        except Exception as problem:
            self._sensor = None
            return Reading(None, f"the thermometer does not answer ({_first_line(problem)})")
        if abs(air_c - POWER_ON_C) < 0.05:
            return Reading(None, "85 °C is what the sensor says after losing its power")
        if not LOWEST_C <= air_c <= HIGHEST_C:
            return Reading(None, f"{air_c:g} °C is outside {LOWEST_C:g} to {HIGHEST_C:g} °C")
        return Reading(air_c)

    def close(self) -> None:
        """Let go of the sensor."""
        self._sensor = None


def _first_line(problem: Exception) -> str:
    return next(iter(str(problem).strip().splitlines()), type(problem).__name__)
