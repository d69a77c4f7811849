"""The bench as a whole: which driver for which line, and pins that are never guessed."""

from __future__ import annotations

import subprocess
import sys
import types

import pytest
from gpiozero.pins.mock import MockFactory

from hardware import pins, shut_valve
from hardware.absent import NoPanel, NoThermometer, NoValve, NoVapour
from hardware.build import build_parts
from hardware.clock import LinuxClock
from hardware.drop_gates import PinDropGates
from hardware.hx711_pins import Hx711PinsCell
from hardware.hx711_spi import Hx711SpiCell, spi_bus
from hardware.i2c_cell import I2cCell, smbus
from hardware.iio_cell import IioCell
from hardware.one_wire import OneWireThermometer
from hardware.panel import PinPanel
from hardware.valve import PinValve
from hardware.vapour import PinVapour
from soakmon.bench.ports import Press, Reading
from soakmon.bench_toml import parse_bench
from soakmon.cli import main
from soakmon.errors import InputError, TroubleError
from tests.hardware.wires import HandClock

BARE = (
    "[gates]\npins = []\n[thermometer]\ndriver = 'none'\n[valve]\ndriver = 'none'\n"
    "[panel]\nfitted = false\n"
)


@pytest.fixture
def no_lgpio(monkeypatch):
    """A machine without lgpio, whatever is installed here."""
    pins.lgpio_factory.cache_clear()
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    yield
    pins.lgpio_factory.cache_clear()


def test_the_default_bench_on_mock_pins():
    factory = MockFactory()
    parts = build_parts(parse_bench(""), factory=factory, clock=HandClock())
    kinds = (PinValve, PinPanel, NoVapour, PinDropGates, OneWireThermometer, IioCell)
    got = (parts.valve, parts.panel, parts.vapour, parts.gates, parts.thermometer, parts.cell)
    assert tuple(map(type, got)) == kinds
    assert parts.gates.count == 4
    assert not parts.valve.is_open
    parts.valve.open()
    parts.close()
    assert factory.pin(24).function == "input"
    assert not factory._reservations or not any(factory._reservations.values())


@pytest.mark.parametrize(
    ("driver", "kind"),
    [
        ("iio", IioCell),
        ("i2c", I2cCell),
        ("hx711_spi", Hx711SpiCell),
        ("hx711_pins", Hx711PinsCell),
    ],
)
def test_every_cell_driver_is_built_and_none_raises_without_its_converter(driver, kind):
    bench = parse_bench(f"[cell]\ndriver = '{driver}'\niio_path = '/nonexistent/raw'\n")
    parts = build_parts(bench, factory=MockFactory())
    assert isinstance(parts.cell, kind)
    reading = parts.cell.read()
    assert reading.value is None
    assert reading.reason
    parts.close()


def test_a_bench_without_pins_asks_for_none(no_lgpio):
    parts = build_parts(parse_bench(BARE))
    kinds = (NoValve, NoPanel, NoVapour, PinDropGates, NoThermometer, LinuxClock)
    got = (parts.valve, parts.panel, parts.vapour, parts.gates, parts.thermometer, parts.clock)
    assert tuple(map(type, got)) == kinds
    parts.close()


def test_what_is_absent_says_so():
    valve, panel = NoValve(), NoPanel()
    valve.open()
    assert valve.is_open
    valve.shut()
    assert not valve.is_open
    panel.show(lamp=True, buzzer=True)
    assert panel.presses() == []
    assert NoVapour().active() is None
    assert NoThermometer().read() == Reading(None, "no thermometer is fitted")


def test_without_lgpio_there_is_an_error_and_no_other_backend(no_lgpio, monkeypatch):
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    with pytest.raises(TroubleError, match=r"lgpio is not installed .*soakmon\[pi\]"):
        build_parts(parse_bench(""))


def test_a_machine_without_gpio_is_one_clear_line(no_lgpio, monkeypatch):
    class Factory:
        def __init__(self):
            raise PermissionError(13, "Permission denied", "/dev/gpiochip0")

    module = types.SimpleNamespace(LGPIOFactory=Factory)
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", module)
    with pytest.raises(TroubleError, match=r"finds no pins .*gpiochip0.*group gpio") as problem:
        build_parts(parse_bench(""))
    assert len(str(problem.value).splitlines()) == 1


def test_the_named_factory_is_made_once(no_lgpio, monkeypatch):
    module = types.SimpleNamespace(LGPIOFactory=MockFactory)
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", module)
    assert pins.lgpio_factory() is pins.lgpio_factory()


def test_a_part_that_fails_lets_go_of_the_parts_before():
    factory = MockFactory()
    held = PinVapour(26, factory)
    good = parse_bench("[vapour]\nfitted = true\n")
    with pytest.raises(TroubleError, match=r"vapour\.pin: GPIO 26") as problem:
        build_parts(good, factory=factory)
    # The error holds on to its frames and so to the parts: they are let go of, not swept up.
    assert problem.tb is not None
    assert factory.pin(24).function == "input"
    held.close()
    parts = build_parts(good, factory=factory)
    assert isinstance(parts.vapour, PinVapour)
    assert parts.panel.presses() == []
    factory.pin(16).drive_low()
    assert Press.SHORT not in parts.panel.presses()
    parts.close()


def test_extras_that_are_not_installed_are_reasons(monkeypatch):
    for module in ("smbus2", "periphery"):
        monkeypatch.setitem(sys.modules, module, None)
    assert "smbus2 is not installed" in I2cCell(smbus(1)).read().reason
    assert "python-periphery is not installed" in Hx711SpiCell(spi_bus(0, 0)).read().reason


def test_the_valve_is_shut_from_outside(tmp_path, no_lgpio, capsys):
    bench, factory = tmp_path / "bench.toml", MockFactory()
    bench.write_text("[valve]\npin = 20\n")
    pin = factory.pin(20)

    shut_valve.shut_valve(bench, factory)
    assert pin.function == "input"
    assert shut_valve.main([str(bench)]) == 2
    assert "valve not shut: GPIO pins: lgpio is not installed" in capsys.readouterr().err
    bench.write_text("[valve]\ndriver = 'none'\n")
    assert shut_valve.main([str(bench)]) == 0
    assert shut_valve.main([]) == 2


def test_the_valve_is_shut_whatever_else_is_wrong_in_the_file(tmp_path):
    """Somebody was at work on bench.toml when the service died."""
    bench, factory = tmp_path / "bench.toml", MockFactory()
    bench.write_text("[rack]\ncarbs = 99\nno_such_key = 1\n[valve]\npin = 20\n")
    shut_valve.shut_valve(bench, factory)
    assert factory.pin(20).function == "input"
    bench.write_text("[valve]\npin = 'twenty'\n")
    with pytest.raises(InputError, match=r"bench.toml: \[valve\]: pin"):
        shut_valve.shut_valve(bench, factory)
    bench.write_text("valve = 1\n")
    with pytest.raises(InputError, match="valve"):
        shut_valve.shut_valve(bench, factory)


def test_to_shut_the_valve_takes_no_library_of_numbers():
    """On a small board each second of loading lets fuel run."""
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, hardware.shut_valve; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert not {"numpy", "soakmon.config", "soakmon.physics"} & set(loaded)


def test_a_bench_on_a_machine_without_pins_is_one_line_and_exit_4(
    tmp_path, no_lgpio, monkeypatch, capsys
):
    bench = tmp_path / "bench.toml"
    # A service that runs on this machine is another story.
    bench.write_text(f"[service]\nsocket = '{tmp_path / 'control.sock'}'\n")
    monkeypatch.setattr(sys, "argv", ["soakmon", "check", "--bench", str(bench)])
    with pytest.raises(SystemExit) as done:
        main()
    assert done.value.code == 4
    assert "GPIO pins: lgpio is not installed" in capsys.readouterr().err
