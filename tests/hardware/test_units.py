"""systemd units, device tree overlay, wiring table and drawing agree with the code."""

from __future__ import annotations

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

import hardware
from hardware.one_wire import HIGHEST_C, LOWEST_C
from hardware.set_up.places import Places
from soakmon.app.serve import _EXIT_CODE
from soakmon.cautions import CAUTIONS
from soakmon.cli.program import BAD_INPUT, TROUBLE
from soakmon.hardware_config import (
    CellSection,
    GatesSection,
    PanelSection,
    ValveSection,
    VapourSection,
)

FOLDER = Path(hardware.__file__).parent
UNITS = sorted((FOLDER / "systemd").glob("*.service"))
# Those that stay: the others do one thing and end.
STAYING = [unit for unit in UNITS if "Type=notify" in unit.read_text(encoding="utf-8")]
README = (FOLDER / "README.md").read_text(encoding="utf-8")
SVG = FOLDER / "wiring.svg"


def keys(unit: Path) -> dict[str, list[str]]:
    """Section.Key -> values, in order; every line must be a comment, a section or an assignment."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in unit.read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        if head := re.fullmatch(r"\[(\w+)\]", line):
            section = head[1]
            continue
        key, equals, value = line.partition("=")
        assert section, line
        assert equals, line
        assert re.fullmatch(r"\w+", key), line
        found.setdefault(f"{section}.{key}", []).append(value)
    return found


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_systemd_finds_no_fault_in_the_units(unit, tmp_path):
    assert {"Unit.Description", "Service.ExecStart"} <= keys(unit).keys()
    assert ("Install.WantedBy" in keys(unit)) is (unit in STAYING)
    tool = shutil.which("systemd-analyze")
    if tool is None:
        return  # tests/run brings it wherever there is apt; what is above holds everywhere
    # The programs are only there once it is installed; what is verified is the unit.
    text = re.sub(r"(?m)^(Exec\w+)=.*", r"\1=/bin/true", unit.read_text(encoding="utf-8"))
    copy = tmp_path / unit.name
    for added, clean in (("", True), ("\n[Service]\nProtectEverything=yes\n", False)):
        copy.write_text(text + added)
        run = subprocess.run(
            [tool, "verify", "--man=no", copy], capture_output=True, text=True, check=False
        )
        assert (not run.stderr and run.returncode == 0) is clean, run.stderr


def test_the_service_may_do_what_the_bench_needs_and_little_else():
    unit = {key.partition(".")[2]: values for key, values in keys(UNITS[-1]).items()}
    assert UNITS[-1].name == "soakmon.service"
    one = {key: values[-1] for key, values in unit.items()}
    wanted = {
        "Type": "notify",
        "Restart": "always",
        "User": "soakmon",
        "SupplementaryGroups": "gpio i2c spi",
        "StateDirectory": "soakmon",
        "RuntimeDirectory": "soakmon",
        "WorkingDirectory": "/var/lib/soakmon",
        "UMask": "0007",
        "StateDirectoryMode": "2770",
        "ProtectSystem": "strict",
        "NoNewPrivileges": "yes",
        "CapabilityBoundingSet": "",
        "DevicePolicy": "closed",
        "ExecStart": "/opt/soakmon/current/bin/soakmon serve --bench /etc/soakmon/bench.toml",
    }
    assert {key: one[key] for key in wanted} == wanted
    assert "LG_WD=/run/soakmon" in unit["Environment"]
    assert unit["DeviceAllow"] == ["char-gpiochip rw", "char-i2c rw", "char-spi rw"]
    assert int(one["WatchdogSec"]) > 0
    # What would take the pins or the clock's state away.
    assert not {"PrivateDevices", "ProtectClock", "ProcSubset"} & one.keys()
    assert "adjtimex" in one["SystemCallFilter"]
    assert "hardware.shut_valve /etc/soakmon/bench.toml" in one["ExecStopPost"]


@pytest.mark.parametrize("unit", STAYING, ids=lambda path: path.name)
def test_only_what_a_person_must_mend_ends_the_trying(unit):
    found = keys(unit)
    assert found["Service.Restart"] == ["always"]
    assert found["Service.RestartPreventExitStatus"] == [str(BAD_INPUT)]
    assert found["Unit.StartLimitIntervalSec"] == ["0"]
    assert _EXIT_CODE == TROUBLE != BAD_INPUT


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
@pytest.mark.parametrize(
    "line",
    [
        "ProtectSystem=strict", "ProtectHome=yes", "PrivateTmp=yes", "NoNewPrivileges=yes",
        "RestrictNamespaces=yes", "SystemCallArchitectures=native", "ProtectKernelModules=yes",
    ],
)  # fmt: skip
def test_every_unit_is_hardened(unit, line):
    assert line in unit.read_text(encoding="utf-8").splitlines()


def test_the_swap_may_write_where_it_must():
    found = keys(FOLDER / "systemd" / "soakmon-swap.service")
    (writes,) = found["Service.ReadWritePaths"]
    places = Places()
    needed = (
        places.home, places.units, places.journal_limits, places.command, places.set_up_command,
        places.data, Path("/run/soakmon-set-up.lock"),
    )  # fmt: skip
    allowed = [Path(path) for path in writes.split()]
    for path in needed:
        assert any(path.is_relative_to(one) for one in allowed), path
    timer = keys(FOLDER / "systemd" / "soakmon-swap.timer")
    assert timer["Install.WantedBy"] == ["timers.target"]


# Pins of the 40-pin header by GPIO number.
HEADER = {
    2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 9: 21, 10: 19, 12: 32, 16: 36, 17: 11, 22: 15, 23: 16,
    24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip


def test_the_wiring_table_is_that_of_the_default_bench():
    rows = dict(re.findall(r"(?m)^\| (\d+) \| \d+ \| ([^|]+) \|", README))
    headers = dict(re.findall(r"(?m)^\| (\d+) \| (\d+) \|", README))
    assert {int(gpio): int(pin) for gpio, pin in headers.items()} == HEADER
    cell, panel = CellSection(), PanelSection()
    wanted = {
        cell.data_pin: "DOUT",
        cell.clock_pin: "PD_SCK",
        panel.lamp_pin: "lamp",
        panel.buzzer_pin: "buzzer",
        panel.button_pin: "button",
        ValveSection().pin: "valve",
        VapourSection().pin: "vapour",
        **{pin: f"gate {k + 1}" for k, pin in enumerate(GatesSection().pins)},
    }
    for gpio, what in wanted.items():
        assert what in rows[str(gpio)], gpio


def test_the_drawing_shows_the_same_pins_and_needs_no_colour():
    tree = ET.fromstring(SVG.read_text(encoding="utf-8"))
    text = " ".join("".join(node.itertext()) for node in tree.iter() if node.tag.endswith("text"))
    for gpio, pin in HEADER.items():
        assert re.search(rf"GPIO {gpio} \({pin}\)", text), gpio
    colours = set(re.findall(r"(?:fill|stroke)=\"([^\"]+)\"", SVG.read_text(encoding="utf-8")))
    assert colours <= {"none", "black", "white"}


def test_the_overlay_is_for_the_default_pins():
    overlay = (FOLDER / "soakmon-hx711.dts").read_text(encoding="utf-8")
    assert f"dout-gpios = <&gpio {CellSection().data_pin} 0>" in overlay
    assert f"sck-gpios = <&gpio {CellSection().clock_pin} 0>" in overlay


def test_the_readme_carries_the_cautions_and_the_limits():
    for caution in CAUTIONS:
        assert caution in " ".join(README.replace("\n  ", " ").split()), caution
    assert f"{LOWEST_C:g} to {HIGHEST_C:g} °C".replace("-", "−") in README
