"""Load cells through the kernel's file and on I²C."""

from __future__ import annotations

import os
import re
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.hx711_count import HIGHEST, LOWEST
from hardware.i2c_cell import (
    ADC_B2,
    ADC_CTRL,
    ADDRESS,
    CALIBRATE,
    CALIBRATION_FAILED,
    CTRL1,
    CTRL2,
    PU_CTRL,
    I2cCell,
)
from hardware.iio_cell import IioCell
from hardware.patient import Patient
from soakmon.bench.ports import Reading
from tests.hardware.wires import HandClock


@pytest.fixture
def device(tmp_path):
    """A folder like iio:device0, and the cell that reads it."""
    raw = tmp_path / "in_voltage0_raw"
    clock = HandClock()
    cell = IioCell(raw, wait_s=5.0, now_s=clock.now_s)
    yield raw, cell, clock
    cell.close()


def test_a_signed_count_is_read_as_it_is(device):
    raw, cell, _ = device
    raw.write_text("-12345\n")
    assert cell.read() == Reading(-12345.0)


def test_the_kernels_hx711_counts_from_half_scale(device):
    raw, cell, _ = device
    raw.with_name("name").write_text("hx711\n")
    for count in (-1000, 0, 77777):
        raw.write_text(f"{count + 0x800000}\n")
        assert cell.read() == Reading(float(count))


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("hx711", "0", "saturated"),
        ("hx711", str(0xFFFFFF), "saturated"),
        ("hx711", str(0x7FFFFF), "all ones"),
        ("hx711", str(1 << 24), "beyond 24 bits"),
        ("other", str(HIGHEST), "saturated"),
        ("other", str(LOWEST), "saturated"),
        ("other", "", "does not hold a count"),
        ("other", "12 kg", "does not hold a count"),
    ],
)
def test_what_is_no_count_has_a_reason(device, name, text, says):
    raw, cell, _ = device
    raw.with_name("name").write_text(name)
    raw.write_text(text)
    reading = cell.read()
    assert reading.value is None
    assert says in reading.reason


def test_a_missing_file_is_a_reason_and_comes_back(device):
    raw, cell, _ = device
    assert "is missing: is the converter's overlay loaded?" in cell.read().reason
    raw.write_text("5")
    assert cell.read() == Reading(5.0)
    raw.unlink()
    raw.mkdir()
    assert "does not answer" in cell.read().reason


def test_a_count_that_stands_still_is_frozen_until_it_moves(device):
    raw, cell, clock = device
    raw.write_text("100")
    for _ in range(19):
        assert cell.read() == Reading(100.0)
        clock.sleep(0.5)
    clock.sleep(1.0)
    assert cell.read() == Reading(None, "frozen: the same count 100 for 10 s")
    raw.write_text("101")
    assert cell.read() == Reading(101.0)


def test_a_read_that_hangs_is_given_up_and_its_late_answer_thrown_away(tmp_path):
    pipe = tmp_path / "in_voltage0_raw"
    os.mkfifo(pipe)
    cell = IioCell(pipe, wait_s=0.02)
    assert cell.read() == Reading(None, "no answer within 0.02 s")
    pipe.write_text("1\n")  # wakes the old read
    assert cell._patient._done.wait(5)
    patient_cell = cell._patient
    patient_cell._wait_s = 5.0
    writer = threading.Thread(target=pipe.write_text, args=("2\n",), daemon=True)
    writer.start()
    assert cell.read() == Reading(2.0)
    writer.join(5)
    cell.close()
    assert cell.read() == Reading(None, "closed")


def test_one_question_at_a_time():
    gate, asked = threading.Event(), []

    def job() -> Reading:
        asked.append(1)
        gate.wait(5)
        return Reading(7.0)

    patient = Patient(job, 0.01, "test")
    assert [patient.ask().value for _ in range(3)] == [None] * 3
    gate.set()
    patient._wait_s = 5.0
    assert patient.ask() == Reading(7.0)
    assert len(asked) <= 2
    patient.close()


class Nau7802:
    """The chip's registers, as far as a driver sees them."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.registers: dict[int, int] = {}
        self.count = 0
        self.calibrated_s = self.converted_s = float("inf")
        self.calibrations = 0
        self.calibration_s = 0.4
        self.fails = self.lost = self.dead_digital = self.bad_calibration = False
        self.opened = self.closed = 0

    def open(self) -> Nau7802:
        self.opened += 1
        return self

    def write_byte_data(self, address: int, register: int, value: int) -> None:
        self._check(address)
        if register == CTRL2 and value & CALIBRATE:
            self.calibrations += 1
            self.calibrated_s = self.clock.t_s + self.calibration_s
        if register == PU_CTRL and value & 0x01:
            self.registers = {}
        if register == PU_CTRL and value & 0x10:
            self.converted_s = self.clock.t_s + 0.1
        self.registers[register] = value

    def read_byte_data(self, address: int, register: int) -> int:
        self._check(address)
        value = self.registers.get(register, 0)
        if register == CTRL2 and self.clock.t_s >= self.calibrated_s:
            return value & ~CALIBRATE | (CALIBRATION_FAILED if self.bad_calibration else 0)
        if register == PU_CTRL and value & 0x02:
            powered = 0 if self.dead_digital else 0x08
            return value | powered | (0x20 if self.clock.t_s >= self.converted_s else 0)
        return value

    def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
        self._check(address)
        assert (register, length) == (ADC_B2, 3)
        self.converted_s = self.clock.t_s + 0.1
        return list((self.count & 0xFFFFFF).to_bytes(3, "big"))

    def close(self) -> None:
        self.closed += 1

    def _check(self, address: int) -> None:
        assert address == ADDRESS
        if self.fails:
            raise OSError(121, "Remote I/O error")


@pytest.fixture
def chip():
    return Nau7802(HandClock())


def cell_of(chip: Nau7802, readings_per_s: float = 10.0) -> I2cCell:
    return I2cCell(chip.open, readings_per_s, chip.clock.timer_s, chip.clock.sleep)


def ready(chip: Nau7802, **options) -> I2cCell:
    cell = cell_of(chip, **options)
    while (reading := cell.read()).value is None:
        assert re.search("calibrating|settling|no conversion", reading.reason)
    return cell


def test_set_up_says_what_it_waits_for_and_sets_gain_regulator_and_rate(chip):
    chip.calibration_s = 0.45
    cell = cell_of(chip)
    began_s = chip.clock.t_s
    assert cell.read() == Reading(None, "the converter is calibrating itself")
    assert chip.clock.t_s - began_s < 0.22
    reasons = [cell.read().reason for _ in range(8)]
    assert reasons == ["the converter is calibrating itself"] + 6 * [
        "the converter is settling"
    ] + [""]
    assert chip.registers[CTRL1] == 0b00101111  # 3.0 V, gain 128
    assert chip.registers[CTRL2] & 0x70 == 0  # 10 per second
    assert chip.registers[ADC_CTRL] == 0x30
    assert chip.registers[PU_CTRL] == 0x96


@pytest.mark.parametrize(("wanted", "bits"), [(1, 0), (10.5, 1), (40, 2), (79, 3), (80, 3)])
def test_the_rate_is_the_slowest_that_keeps_up(chip, wanted, bits):
    ready(chip, readings_per_s=wanted)
    assert chip.registers[CTRL2] >> 4 & 7 == bits


@given(count=st.integers(LOWEST + 1, HIGHEST - 1))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_every_count_comes_through(count):
    chip = Nau7802(HandClock())
    chip.count = count
    cell = ready(chip)
    assert cell.read() == Reading(float(count))


@pytest.mark.parametrize("count", [LOWEST, HIGHEST])
def test_saturation_is_no_mass(chip, count):
    cell = ready(chip)
    chip.count = count
    assert "saturated" in cell.read().reason


def test_a_disturbed_bus_is_a_reason_and_does_not_calibrate_anew(chip):
    cell = ready(chip)
    chip.fails = True
    assert "does not answer on I²C" in cell.read().reason
    chip.fails, chip.count = False, 99
    assert cell.read() == Reading(99.0)
    assert (chip.calibrations, chip.opened, chip.closed) == (1, 2, 1)


def test_a_chip_that_lost_its_power_is_set_up_again(chip):
    cell = ready(chip)
    chip.registers = {}
    chip.converted_s = float("inf")
    assert "lost its power" in cell.read().reason
    assert "calibrating" in cell.read().reason
    assert chip.calibrations == 2


def test_no_conversion_is_waited_for_no_longer_than_allowed(chip):
    cell = ready(chip)
    chip.converted_s = float("inf")
    began_s = chip.clock.t_s
    assert cell.read() == Reading(None, "no conversion within 0.2 s")
    assert chip.clock.t_s - began_s < 0.22


def test_chips_that_do_not_power_up_or_calibrate_are_reasons(chip):
    chip.dead_digital = True
    cell = cell_of(chip)
    assert "does not power up" in cell.read().reason
    chip.dead_digital, chip.bad_calibration = False, True
    reasons = [cell.read().reason for _ in range(4)]
    assert any("calibration failed" in reason for reason in reasons)
    chip.calibration_s = float("inf")
    reasons = [cell.read().reason for _ in range(12)]
    assert any("calibration does not end" in reason for reason in reasons)


def test_a_bus_that_cannot_be_opened_is_a_reason():
    def missing():
        raise OSError(2, "No such file or directory")

    assert "No such file" in I2cCell(missing).read().reason
