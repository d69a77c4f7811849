"""Valve, panel, vapour contact, thermometer and clock."""

from __future__ import annotations

import importlib
import threading

import pytest
from gpiozero import GPIOZeroError
from gpiozero.pins.mock import MockFactory
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.clock import LinuxClock, kernel_synchronised
from hardware.one_wire import OneWireThermometer
from hardware.panel import PinPanel
from hardware.presses import BOUNCE_S, PressReader
from hardware.valve import PinValve
from hardware.vapour import PinVapour
from soakmon.bench.ports import Press, Reading
from soakmon.errors import TroubleError
from soakmon.hardware_config import PanelSection
from tests.hardware.mock_gates import TimedFactory


@pytest.mark.parametrize("active_high", [True, False])
def test_the_valve_is_driven_only_while_it_is_open(active_high):
    factory = MockFactory()
    valve = PinValve(24, factory, active_high=active_high)
    pin = factory.pin(24)
    assert (bool(pin.state), valve.is_open) == (not active_high, False)
    valve.open()
    assert (bool(pin.state), valve.is_open) == (active_high, True)
    valve.shut()
    valve.shut()
    assert (bool(pin.state), valve.is_open) == (not active_high, False)
    valve.open()
    valve.close()
    valve.close()
    assert (pin.function, valve.is_open) == ("input", False)
    valve.shut()
    valve.open()
    assert not valve.is_open


@pytest.mark.parametrize("active_high", [True, False])
def test_the_valve_says_what_its_pin_does_and_not_what_it_was_told(active_high):
    factory = MockFactory()
    valve = PinValve(24, factory, active_high=active_high)
    factory.pin(24)._set_state(active_high)
    assert valve.is_open
    valve.shut()
    assert not valve.is_open
    valve.open()
    factory.pin(24)._set_state(not active_high)
    assert not valve.is_open


def test_a_pin_that_cannot_be_read_is_what_it_was_told(monkeypatch):
    factory = MockFactory()
    valve = PinValve(24, factory)

    def broken():
        raise GPIOZeroError("chip is gone")

    valve.open()
    monkeypatch.setattr(factory.pin(24), "_get_state", broken)
    assert valve.is_open


def test_the_valve_is_shut_from_any_thread():
    factory = MockFactory()
    valve = PinValve(24, factory)
    threads = [threading.Thread(target=valve.shut) for _ in range(8)]
    threads += [threading.Thread(target=valve.open) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    valve.shut()
    assert not factory.pin(24).state


def test_a_valve_that_cannot_be_switched_off_is_let_go_of(monkeypatch, caplog):
    factory = MockFactory()
    valve = PinValve(24, factory)
    valve.open()

    def broken(value):
        raise GPIOZeroError("chip is gone")

    monkeypatch.setattr(factory.pin(24), "_set_state", broken)
    valve.shut()
    assert not valve.is_open
    assert factory.pin(24).function == "input"
    assert "cannot be switched off" in caplog.text


def test_a_pin_that_is_held_is_one_clear_line():
    factory = MockFactory()
    first = PinValve(24, factory)
    with pytest.raises(TroubleError, match=r"vapour.pin: GPIO 24 cannot be used .*other program"):
        PinVapour(24, factory)
    first.close()


def test_vapour_is_an_alarm_whenever_the_loop_is_open():
    factory = MockFactory()
    vapour = PinVapour(26, factory)
    assert vapour.active() is True  # nothing wired: the pull-up wins
    factory.pin(26).drive_low()
    assert vapour.active() is False
    factory.pin(26).drive_high()
    assert vapour.active() is True
    factory.pin(26).drive_low()
    vapour.close()
    assert vapour.active() is True


@pytest.fixture
def panel():
    factory = TimedFactory()
    return factory, PinPanel(PanelSection(), factory, lambda: factory.now_s + 1000)


def button(factory, *changes):
    for t_s, down in changes:
        factory.now_s = t_s
        factory.pin(16).drive_at(not down, t_s)


def test_lamp_and_buzzer(panel):
    factory, parts = panel
    for lamp, buzzer in [(True, False), (False, True), (True, True), (False, False)]:
        parts.show(lamp=lamp, buzzer=buzzer)
        assert (bool(factory.pin(25).state), bool(factory.pin(12).state)) == (lamp, buzzer)
    parts.show(lamp=True, buzzer=True)
    parts.close()
    parts.show(lamp=True, buzzer=True)
    assert factory.pin(25).function == factory.pin(12).function == "input"


def test_presses_with_bounce(panel):
    factory, parts = panel
    button(factory, (1, True), (1.002, False), (1.004, True), (1.3, False), (1.301, True))
    button(factory, (1.303, False))
    factory.now_s = 1.31
    assert parts.presses() == []  # it may still be bouncing
    factory.now_s = 1.4
    assert parts.presses() == [Press.SHORT]
    assert parts.presses() == []


def test_a_hold_is_told_while_the_finger_is_on_the_button_and_once(panel):
    factory, parts = panel
    button(factory, (1, True))
    factory.now_s = 3.9
    assert parts.presses() == []
    factory.now_s = 4.0
    assert parts.presses() == [Press.HELD]
    button(factory, (9, False))
    factory.now_s = 10
    assert parts.presses() == []


def test_a_blink_is_no_press(panel):
    factory, parts = panel
    button(factory, (1, True), (1.001, False))
    factory.now_s = 2
    assert parts.presses() == []


@given(st.lists(st.tuples(st.floats(0.05, 8), st.floats(0.05, 5)), max_size=8))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_presses_are_told_exactly_however_seldom_they_are_asked_for(presses):
    reader, t_s, found, truth = PressReader(3.0), 0.0, [], []
    for lasts_s, pause_s in presses:
        found += reader.push(t_s, down=True)
        truth.append(Press.HELD if lasts_s >= 3.0 else Press.SHORT)
        t_s += lasts_s + 1e-9  # sums of floats must not fall short of a hold
        found += reader.push(t_s, down=False)
        t_s += pause_s
    assert found + reader.take(t_s + BOUNCE_S) == truth


class Sensor:
    def __init__(self, *answers):
        self.answers = list(answers)

    def get_temperature(self):
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


@pytest.mark.parametrize(
    ("answer", "reading"),
    [
        (19.8125, Reading(19.8125)),
        (85.0, Reading(None, "85 °C is what the sensor says after losing its power")),
        (-127.0, Reading(None, "-127 °C is outside -30 to 60 °C")),
        (float("nan"), Reading(None, "nan °C is outside -30 to 60 °C")),
        (
            RuntimeError("\n  Could not find sensor\n  Please check cabling"),
            Reading(None, "the thermometer does not answer (Could not find sensor)"),
        ),
        (ValueError(), Reading(None, "the thermometer does not answer (ValueError)")),
    ],
)
def test_a_thermometer_reads_or_says_why_not(answer, reading):
    thermometer = OneWireThermometer("", lambda _: Sensor(answer))
    assert thermometer.read() == reading


def test_a_thermometer_that_was_pulled_out_is_found_again():
    sensors = iter([Sensor(20.0, OSError("gone")), Sensor(21.0)])
    asked = []

    def find(sensor_id):
        asked.append(sensor_id)
        return next(sensors)

    thermometer = OneWireThermometer("28-0316a2794bff", find)
    assert [thermometer.read().value for _ in range(3)] == [20.0, None, 21.0]
    assert asked == ["0316a2794bff"] * 2
    thermometer.close()


def test_a_thermometer_without_its_library_says_what_to_install():
    def missing(_):
        raise ImportError("No module named 'w1thermsensor'")

    reading = OneWireThermometer("", missing).read()
    assert reading == Reading(None, "w1thermsensor is not installed: pip install 'soakmon[pi]'")


def test_the_clock_counts_on():
    clock = LinuxClock()
    before_s = clock.boot_s()
    clock.sleep(-1)
    clock.sleep(0.001)
    assert 0.001 <= clock.boot_s() - before_s < 60
    assert clock.wall_s() > 1.7e9


@pytest.mark.parametrize("known", [True, False])
def test_the_kernel_knows_best_whether_the_clock_is_right(tmp_path, known):
    mark = tmp_path / "synchronized"
    mark.touch()
    assert LinuxClock(lambda: known, mark).synchronised() is known


def test_a_kernel_that_may_not_be_asked_leaves_the_mark(tmp_path):
    mark = tmp_path / "synchronized"
    clock = LinuxClock(lambda: None, mark)
    assert clock.synchronised() is False
    mark.touch()
    assert clock.synchronised() is True
    assert kernel_synchronised() in {True, False, None}


@pytest.fixture
def kernel_thermometer(tmp_path, monkeypatch):
    """The kernel's file of a sensor, read by the real library."""
    monkeypatch.setenv("W1THERMSENSOR_NO_KERNEL_MODULE", "1")
    library = importlib.import_module("w1thermsensor")
    monkeypatch.setattr(library.W1ThermSensor, "BASE_DIRECTORY", tmp_path)
    monkeypatch.setattr(library.W1ThermSensor, "RETRY_DELAY_SECONDS", 0.0)
    folder = tmp_path / "28-0316a2794bff"
    folder.mkdir()

    def write(raw: str, answer: str = "YES") -> None:
        head = f"{raw} 4b 46 7f ff 01 10 d7"
        (folder / "w1_slave").write_text(f"{head} : crc=d7 {answer}\n{head} t=0\n")

    return write


@pytest.mark.parametrize("sensor_id", ["", "0316a2794bff", "28-0316a2794bff"])
def test_the_kernels_file_through_the_real_library(kernel_thermometer, sensor_id):
    kernel_thermometer("4f 01")
    thermometer = OneWireThermometer(sensor_id)
    assert thermometer.read() == Reading(0x14F / 16)
    kernel_thermometer("5e ff")
    assert thermometer.read() == Reading(-0xA2 / 16)
    kernel_thermometer("50 05")
    assert "reset value of 85" in thermometer.read().reason
    kernel_thermometer("4f 01", "NO")
    assert "not yet ready" in thermometer.read().reason
    kernel_thermometer("4f 01")
    assert thermometer.read() == Reading(0x14F / 16)
    assert "Could not find sensor" in OneWireThermometer("28-000000000000").read().reason
