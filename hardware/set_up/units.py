"""The system's units, the commands in PATH and the limits of the log."""

from __future__ import annotations

from importlib.resources import files

from hardware.set_up.machine import Machine
from hardware.set_up.places import SERVICE, Places

LOOKOUT = "soakmon-lookout.service"
# Service and owner share one data folder: what one writes the other may change.
COMMAND = """\
#!/bin/sh
export SOAKMON_DATA="${SOAKMON_DATA:-/var/lib/soakmon}"
umask 0007
exec /opt/soakmon/current/bin/soakmon "$@"
"""
SET_UP_COMMAND = """\
#!/bin/sh
exec /opt/soakmon/current/bin/python -P -m hardware.set_up "$@"
"""


def unit_text(name: str) -> str:
    """A unit as it is shipped."""
    return (files("hardware") / "systemd" / name).read_text(encoding="utf-8")


def write_units(machine: Machine, places: Places) -> None:
    """Units, log limits and commands of this version."""
    written = [machine.write(places.units / name, unit_text(name)) for name in (SERVICE, LOOKOUT)]
    if machine.write(places.journal_limits, unit_text("journald-soakmon.conf")):
        machine.run("systemctl", "restart", "systemd-journald")
    machine.write(places.command, COMMAND, 0o755)
    machine.write(places.set_up_command, SET_UP_COMMAND, 0o755)
    if any(written):
        machine.run("systemctl", "daemon-reload")


def take_units_back(machine: Machine, places: Places) -> None:
    """Stop and delete them."""
    for name in (SERVICE, LOOKOUT):
        if (places.units / name).exists():
            machine.run("systemctl", "disable", "--now", name)
    machine.delete([places.units / SERVICE, places.units / LOOKOUT])
    if places.journal_limits.exists():
        machine.delete([places.journal_limits])
        machine.run("systemctl", "restart", "systemd-journald")
    machine.run("systemctl", "daemon-reload")
    machine.delete([places.command, places.set_up_command])
