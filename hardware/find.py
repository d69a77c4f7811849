"""Finds what is wired to this Pi: each way to the load cell is tried by reading it.

Nothing else may hold pins or buses meanwhile. Pins are claimed one after the other and let go of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from hardware.hx711_pins import Hx711PinsCell
from hardware.hx711_spi import Hx711SpiCell, spi_bus
from hardware.i2c_cell import I2cCell, smbus
from hardware.iio_cell import IioCell
from soakmon.bench.ports import LoadCell
from soakmon.errors import SoakmonError
from soakmon.hardware_config import CellSection

# Families that the kernel's driver reads: DS18S20, DS1822, DS18B20, DS1825, DS28EA00.
_THERMOMETERS = ("10-", "22-", "28-", "3b-", "42-")
# A converter that is set up anew takes two seconds (NAU7802), a slow one half a second a reading.
_TRIES_S = 3.0


@dataclass(frozen=True, slots=True)
class DetectedPart:
    """A part: what it is, in words, and what bench.toml has to say for it, by section.key."""

    what: str
    keys: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Missed:
    """A way that was tried without a reading, and why."""

    what: str
    why: str


def find_cell(
    factory: Callable[[], Any], root: Path = Path("/"), seconds: float = _TRIES_S
) -> tuple[DetectedPart | None, list[Missed]]:
    """The first way to the load cell that gives readings, best first; and those that did not.

    factory: gives the pins, asked for last: it may be missing.
    """
    missed = []
    for what, keys, make in _ways(factory, root):
        try:
            cell = make()
        except (SoakmonError, OSError) as problem:
            missed.append(Missed(what, str(problem)))
            continue
        why = _listens(cell, seconds)
        if not why:
            return DetectedPart(what, keys), missed
        missed.append(Missed(what, why))
    return None, missed


_Way = tuple[str, dict[str, Any], Callable[[], LoadCell]]


def _ways(factory: Callable[[], Any], root: Path) -> Iterator[_Way]:
    for device in sorted((root / "sys/bus/iio/devices").glob("iio:device*")):
        raw = device / "in_voltage0_raw"
        if raw.exists():
            path = f"/{raw.relative_to(root)}"
            keys: dict[str, Any] = {"cell.driver": "iio", "cell.iio_path": path}
            what = f"converter through the kernel ({_name(device)})"
            yield what, keys, partial(IioCell, raw)
    for bus in _numbers(root / "dev", "i2c-"):
        keys = {"cell.driver": "i2c", "cell.i2c_bus": bus}
        yield f"NAU7802 on I2C bus {bus}", keys, partial(I2cCell, smbus(bus), 10.0)
    for bus in _numbers(root / "dev", "spidev", ".0"):
        keys = {"cell.driver": "hx711_spi", "cell.spi_bus": bus}
        yield f"HX711 on SPI bus {bus}", keys, partial(Hx711SpiCell, spi_bus(bus, 0))
    plain = CellSection()
    yield (
        f"HX711 on GPIO {plain.data_pin} and {plain.clock_pin}",
        {"cell.driver": "hx711_pins"},
        lambda: Hx711PinsCell(plain.data_pin, plain.clock_pin, factory()),
    )


def _listens(cell: LoadCell, seconds: float) -> str:
    """Why a cell gives no readings in that time, or "" when it does."""
    until_s, why = monotonic() + seconds, "no reading"
    try:
        while monotonic() < until_s:
            reading = cell.read()
            if reading.value is not None:
                return ""
            why = reading.reason or why
            sleep(0.05)
    finally:
        cell.close()
    return why


def find_thermometers(root: Path = Path("/")) -> list[str]:
    """Numbers of the thermometers on the 1-wire bus."""
    names = [path.name for path in (root / "sys/bus/w1/devices").glob("*-*")]
    return sorted(name for name in names if name.startswith(_THERMOMETERS))


def _numbers(folder: Path, begins: str, ends: str = "") -> list[int]:
    names = [path.name for path in folder.glob(f"{begins}*{ends}")]
    middles = [name.removeprefix(begins).removesuffix(ends) for name in names]
    # The Pi's display has buses of its own, with numbers from 20 on.
    return sorted(int(middle) for middle in middles if middle.isdigit() and int(middle) < 20)


def _name(device: Path) -> str:
    try:
        return (device / "name").read_text(encoding="ascii").strip()
    except OSError:
        return device.name
