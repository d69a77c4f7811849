"""An HX711 by pins and by SPI: every count survives the wire, and nothing else becomes a count."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hardware.hx711_count import HIGHEST, LONGEST_HIGH_S, LOWEST, judge
from hardware.hx711_pins import Hx711PinsCell
from soakmon.bench.ports import Reading
from tests.hardware.wires import delay, pins_cell, spi_cell

BOTH = pytest.mark.parametrize("make", [pins_cell, spi_cell], ids=["pins", "spi"])
COUNTS = st.integers(LOWEST, HIGHEST)


def believable(count: int) -> bool:
    return judge(count & 0xFFFFFF).value is not None


@BOTH
@given(count=COUNTS)
@example(count=0)
@example(count=-2)
@example(count=1)
@example(count=LOWEST + 1)
@settings(max_examples=120, deadline=None, derandomize=True)
def test_every_count_survives_the_wire(make, count):
    cell, _, _ = make(lambda channel, gain: count)
    reading = cell.read()
    assert reading == Reading(float(count)) if believable(count) else reading.value is None


@BOTH
@given(counts=st.lists(COUNTS.filter(believable), min_size=2, max_size=6, unique=True))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_series_comes_in_order_on_channel_a_at_gain_128(make, counts):
    left = iter(counts)
    cell, chip, _ = make(lambda channel, gain: next(left))
    assert [cell.read().value for _ in counts] == counts
    assert chip.converted == [("A", 128)] * len(counts)


@BOTH
@pytest.mark.parametrize("count", [2 * HIGHEST, 2 * LOWEST])
def test_beyond_full_scale_is_no_mass(make, count):
    cell, _, _ = make(lambda channel, gain: count)
    reading = cell.read()
    assert reading.value is None
    assert "saturated" in reading.reason


@BOTH
def test_an_unplugged_converter_is_waited_for_no_longer_than_allowed_and_comes_back(make):
    cell, chip, clock = make(lambda channel, gain: 4711)
    chip.unplugged = True
    began_s = clock.t_s
    assert "no conversion within 0.2 s" in cell.read().reason
    assert clock.t_s - began_s < 0.22
    chip.unplugged = False
    assert cell.read() == Reading(4711.0)


@BOTH
def test_unplugged_in_the_middle_of_a_read_spoils_that_one_at_most(make):
    cell, chip, _ = make(lambda channel, gain: 0x2A5A5A)
    looks, dout = [], chip.dout

    def cut() -> bool:
        looks.append(1)
        chip.unplugged = len(looks) > 12
        return dout()

    chip.dout = cut
    assert [cell.read().value for _ in range(4)][1:] == [None] * 3


@BOTH
def test_a_frozen_converter_is_told(make):
    cell, chip, _ = make(lambda channel, gain: 1000)
    chip.noise = 20.0
    assert len({cell.read().value for _ in range(150)}) > 20
    chip.frozen = True
    readings = [cell.read() for _ in range(150)]
    assert readings[0].value is not None
    assert readings[-1].value is None
    assert "frozen: the same count" in readings[-1].reason


def test_a_late_clock_is_discarded_and_the_chip_starts_afresh():
    cell, chip, clock = pins_cell(lambda channel, gain: 123456)
    delay(chip, clock, 8, 80e-6, level=False)
    reading = cell.read()
    assert reading.value is None
    assert "powered down" in reading.reason
    assert "no conversion" in cell.read().reason  # it settles for 0.4 s
    clock.sleep(0.2)
    assert cell.read() == Reading(123456.0)


@given(pulse=st.integers(1, 25), late_us=st.floats(61, 5000))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_whichever_clock_is_late_the_reading_is_no_mass(pulse, late_us):
    cell, chip, clock = pins_cell(lambda channel, gain: 0x155555)
    delay(chip, clock, pulse, 1e-6 * late_us, level=False)
    assert cell.read().value is None


def test_a_read_that_took_long_between_clocks_is_discarded():
    cell, chip, clock = pins_cell(lambda channel, gain: 123456)
    dout = chip.dout

    def held_up() -> bool:
        clock.sleep(0.001)
        return dout()

    chip.dout = held_up
    assert "took 24 ms" in cell.read().reason


@BOTH
@pytest.mark.parametrize("lost", [1, 12, 24])
def test_a_lost_clock_pulse_is_noticed_by_dout_after_the_read(make, lost):
    cell, chip, _ = make(lambda channel, gain: 0x2A5A5A)
    rises, set_clock = [], chip.clock

    def lossy(level: bool) -> None:
        rises.append(level)
        if level and rises.count(True) == lost:
            return
        set_clock(level)

    chip.clock = lossy
    reading = cell.read()
    assert reading.value is None
    assert "a clock pulse was lost" in reading.reason


def test_the_cost_of_a_clock_is_measured_without_moving_a_bit():
    cell, chip, clock = pins_cell(lambda channel, gain: 5)
    clock.late_s[clock.looks + 100] = 70e-6
    assert cell.clock_cost_s() == pytest.approx(71e-6)
    assert cell.clock_cost_s() == pytest.approx(1e-6)
    assert chip.converted == []
    assert cell.clock_cost_s() < LONGEST_HIGH_S


@pytest.mark.parametrize(("pulses", "choice"), [(25, ("A", 128)), (26, ("B", 32)), (27, ("A", 64))])
def test_the_mock_chooses_by_the_number_of_pulses(pulses, choice):
    _, chip, clock = pins_cell(lambda channel, gain: gain)
    for level in [True, False] * pulses:
        chip.clock(level)
    clock.sleep(0.2)
    chip.clock(True)
    chip.clock(False)
    assert chip.converted[-1] == choice


def test_noise_on_the_spi_line_is_noticed():
    cell, chip, _ = spi_cell(lambda channel, gain: 0x155555)
    chip.flip = 0.2
    assert all(cell.read().value is None for _ in range(20))


def test_a_failing_bus_is_a_reason_and_is_opened_again():
    class Broken:
        max_speed, mode, closed = 0, 3, False

        def transfer(self, values):
            raise OSError("Input/output error")

        def close(self):
            self.closed = True
            raise OSError("already gone")

    good, _, _ = spi_cell(lambda channel, gain: 42)
    broken = Broken()
    buses = iter([broken, good._open_spi()])
    good._open_spi = lambda: next(buses)
    assert "SPI bus of the converter fails (Input/output error)" in good.read().reason
    assert broken.closed
    assert good.read() == Reading(42.0)


def test_pins_that_fail_are_a_reason():
    cell, _, _ = pins_cell(lambda channel, gain: 42)
    cell._data.close()
    assert "pins of the converter fail" in cell.read().reason
    cell.close()
    cell.close()
    assert cell.read() == Reading(None, "closed")
    assert isinstance(cell, Hx711PinsCell)
