"""The interfaces of the Pi: a marked block in config.txt, the overlay of the HX711, a module."""

from __future__ import annotations

import re
import shutil
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from hardware.set_up.machine import Machine
from hardware.set_up.places import Places

BEGIN, END = "# soakmon: begin (set-up keeps this block)", "# soakmon: end"
OVERLAY = "soakmon-hx711"
# [all] ends whatever condition the lines before are under. strict_gpiod: a pin whose process dies
# is let go of; otherwise a killed service would leave the valve open until the next start.
LINES = (
    "[all]",
    "dtparam=strict_gpiod",
    "dtoverlay=w1-gpio,gpiopin=4",
    "dtparam=i2c_arm=on",
    "dtparam=spi=on",
)


def set_interfaces(machine: Machine, places: Places) -> bool:
    """Turn them on; whether the Pi has to be started anew for it."""
    config = places.boot_config
    if config is None:
        machine.say("  no config.txt here: this is no Raspberry Pi, no interface was turned on")
        return False
    again = machine.write(places.modules, "i2c-dev\n")
    lines = list(LINES)
    if _kernel_reads_hx711(machine):
        _compile_overlay(machine, config.parent / "overlays" / f"{OVERLAY}.dtbo")
        lines.append(f"dtoverlay={OVERLAY}")
    else:
        machine.say('  this kernel has no module hx711: wire an HX711 to SPI ("hx711_spi")')
    text = config.read_text(encoding="utf-8")
    block = "\n".join([BEGIN, *lines, END]) + "\n"
    rest = without_block(text)
    if rest and not rest.endswith("\n"):
        rest += "\n"
    # The firmware's partition is FAT: it has one mode for all files.
    return machine.write(config, rest + block, config.stat().st_mode & 0o7777) or again


def take_interfaces_back(machine: Machine, places: Places) -> bool:
    """Take block, overlay and module back; whether the Pi has to be started anew for it."""
    machine.delete([places.modules])
    config = places.boot_config
    if config is None:
        return False
    machine.delete([config.parent / "overlays" / f"{OVERLAY}.dtbo"])
    text = config.read_text(encoding="utf-8")
    return machine.write(config, without_block(text), config.stat().st_mode & 0o7777)


def without_block(text: str) -> str:
    """config.txt without set-up's block."""
    return re.sub(rf"(?ms)^{re.escape(BEGIN)}$.*?^{re.escape(END)}$\n?", "", text)


def _kernel_reads_hx711(machine: Machine) -> bool:
    return machine.works("modinfo", "hx711")


def _compile_overlay(machine: Machine, target: Path) -> None:
    if target.exists():
        return
    if shutil.which("dtc") is None:
        machine.run(
            "apt-get", "install", "-y", "-q", "--no-install-recommends", "device-tree-compiler"
        )
    with TemporaryDirectory() as name:
        source = Path(name) / f"{OVERLAY}.dts"
        source.write_text((files("hardware") / f"{OVERLAY}.dts").read_text(encoding="utf-8"))
        overlay = source.with_suffix(".dtbo")
        machine.run("dtc", "-q", "-@", "-I", "dts", "-O", "dtb", "-o", overlay, source)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(overlay, target)
    machine.did(f"made the overlay {target}")
