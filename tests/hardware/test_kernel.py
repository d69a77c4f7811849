"""The drivers on what the running kernel gives without a board; what it lacks is said when skipped.

As root: `modprobe -a i2c-dev i2c-stub chip_addr=0x2a` and `modprobe gpio-sim`; on a Pi a wire from
MOSI to MISO, and a thermometer on its 1-wire bus.
"""

from __future__ import annotations

import importlib
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hardware.drop_gates import PinDropGates
from hardware.hx711_spi import PATTERN, Hx711SpiCell, spi_bus
from hardware.i2c_cell import (
    ADC_B2,
    ADDRESS,
    CALIBRATE,
    CTRL2,
    CYCLE_READY,
    POWER_DIGITAL,
    POWERED,
    PU_CTRL,
    I2cCell,
    smbus,
)
from hardware.one_wire import HIGHEST_C, LOWEST_C, OneWireThermometer

CONFIGFS = Path("/sys/kernel/config/gpio-sim")
COUNT = 0x123456


def stub_bus() -> int:
    for name in Path("/sys/bus/i2c/devices").glob("i2c-*/name"):
        number = int(name.parent.name.removeprefix("i2c-"))
        stub = name.read_text(encoding="ascii").startswith("SMBus stub")
        if stub and Path(f"/dev/i2c-{number}").exists():
            return number
    pytest.skip("this kernel has no I²C stub: modprobe -a i2c-dev i2c-stub chip_addr=0x2a")


def play_chip(number: int, over: threading.Event) -> None:
    """The registers of a stub are memory alone: what the chip itself does to them is done here."""
    bus = smbus(number)()
    for place in range(3):
        bus.write_byte_data(ADDRESS, ADC_B2 + place, COUNT >> 8 * (2 - place) & 0xFF)
    while not over.is_set():
        control = bus.read_byte_data(ADDRESS, PU_CTRL)
        if control & POWER_DIGITAL and not control & POWERED:
            bus.write_byte_data(ADDRESS, PU_CTRL, control | POWERED | CYCLE_READY)
        calibrates = bus.read_byte_data(ADDRESS, CTRL2)
        if calibrates & CALIBRATE:
            bus.write_byte_data(ADDRESS, CTRL2, calibrates & ~CALIBRATE)
        time.sleep(0.001)
    bus.close()


def test_the_converter_is_set_up_and_read_through_the_kernels_i2c():
    number = stub_bus()
    over = threading.Event()
    chip = threading.Thread(target=play_chip, args=(number, over))
    chip.start()
    cell = I2cCell(smbus(number))
    try:
        values = [cell.read().value for _ in range(100)]
        # It ends by itself when the chip no longer answers.
        over.set()
        chip.join()
        bus = smbus(number)()
        bus.write_byte_data(ADDRESS, PU_CTRL, 0)
        bus.close()
        assert cell.read().value is None
    finally:
        over.set()
        chip.join()
        cell.close()
    assert float(COUNT) in values


def test_what_goes_out_on_spi_comes_back_and_is_no_count():
    if not Path("/dev/spidev0.0").exists():
        pytest.skip("this kernel has no SPI bus: /dev/spidev0.0 is missing")
    spi = spi_bus(0, 0)()
    echo = spi.transfer(list(PATTERN))
    spi.close()
    if echo != list(PATTERN):
        pytest.skip("no wire from MOSI to MISO on SPI 0.0")
    cell = Hx711SpiCell(spi_bus(0, 0))
    reading = cell.read()
    cell.close()
    assert reading.value is None
    assert "bits changed while they were read" in reading.reason


def test_a_thermometer_answers_through_the_kernels_1_wire():
    if not list(Path("/sys/bus/w1/devices").glob("28-*")):
        pytest.skip("this kernel has no 1-wire bus with a thermometer")
    reading = OneWireThermometer().read()
    assert reading.value is not None, reading.reason
    assert LOWEST_C < reading.value < HIGHEST_C


@contextmanager
def simulated_lines(count: int) -> Iterator[tuple[int, list[Path]]]:
    """A GPIO chip of the kernel's own: its number, and the files that pull its lines."""
    if not CONFIGFS.is_dir():
        pytest.skip("this kernel has no GPIO simulation: modprobe gpio-sim, as root")
    device = CONFIGFS / "soakmon"
    bank = device / "bank0"
    bank.mkdir(parents=True)
    try:
        (bank / "num_lines").write_text(str(count))
        (device / "live").write_text("1")
        chip = (bank / "chip_name").read_text(encoding="ascii").strip()
        folder = Path("/sys/devices/platform") / (device / "dev_name").read_text().strip() / chip
        pulls = [folder / f"sim_gpio{line}" / "pull" for line in range(count)]
        yield int(chip.removeprefix("gpiochip")), pulls
    finally:
        (device / "live").write_text("0")
        bank.rmdir()
        device.rmdir()


def test_edges_and_their_widths_come_by_the_kernels_own_time_stamps():
    with simulated_lines(4) as (chip, pulls):
        try:
            library = importlib.import_module("gpiozero.pins.lgpio")
            factory = library.LGPIOFactory(chip=chip)
        except Exception as problem:  # gpiozero wants a board that it knows
            pytest.skip(f"lgpio cannot be had here: {problem}")
        gates = PinDropGates((2,), factory, time.monotonic)
        before_s = time.monotonic()
        pulls[2].write_text("pull-up")
        between_s = time.monotonic()
        time.sleep(0.02)
        freeing_s = time.monotonic()
        pulls[2].write_text("pull-down")
        after_s = time.monotonic()
        edges = []
        while len(edges) < 2 and time.monotonic() < after_s + 60:
            time.sleep(0.01)
            edges += gates.edges()
        gates.close()
        assert [edge.blocked for edge in edges] == [True, False]
        # However late they are fetched, they lie where the lines were pulled.
        width_s = edges[1].t_s - edges[0].t_s
        assert freeing_s - between_s <= width_s <= after_s - before_s
