"""Refuses a machine on which soakmon would not work, in one line and before anything is changed."""

from __future__ import annotations

import os
import platform
import re
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from hardware.set_up.machine import SetUpError

# The time stamps of the pins' edges are the kernel's monotonic time only since then.
LEAST_KERNEL = (5, 7)
LEAST_PYTHON = (3, 11)
LEAST_FREE_MB = 1500


@dataclass(frozen=True, slots=True)
class MachineFacts:
    """What decides whether soakmon works here; bits: of the programs, not of the kernel."""

    bits: int
    machine: str
    kernel: str
    python: tuple[int, int]
    free_mb: float
    system: bool
    """Whether systemd runs the services."""


def facts(root: Path = Path("/")) -> MachineFacts:
    """Those of this machine."""
    return MachineFacts(
        # A 64 bit kernel may have 32 bit programs on it, as older images have: Python's own count.
        bits=64 if sys.maxsize > 2**32 else 32,
        machine=platform.machine(),
        kernel=os.uname().release,
        python=sys.version_info[:2],
        free_mb=shutil.disk_usage(root).free / 1e6,
        system=shutil.which("systemctl") is not None,
    )


def refuse(facts: MachineFacts) -> None:
    """Raises SetUpError for what will not work."""
    if facts.bits < 64:
        raise SetUpError(
            f"this system is {facts.bits} bit ({facts.machine}): several packages that soakmon "
            "needs exist for 64 bit only: write Raspberry Pi OS Lite (64 bit) on the card"
        )
    numbers = tuple(int(number) for number in re.findall(r"\d+", facts.kernel)[:2])
    if numbers < LEAST_KERNEL:
        raise SetUpError(
            f"kernel {facts.kernel} stamps edges by the wrong clock: it needs "
            f"{LEAST_KERNEL[0]}.{LEAST_KERNEL[1]} or newer: upgrade the system first"
        )
    if facts.python < LEAST_PYTHON:
        raise SetUpError(
            f"Python {facts.python[0]}.{facts.python[1]} is too old: it needs "
            f"{LEAST_PYTHON[0]}.{LEAST_PYTHON[1]} or newer: write a newer system on the card"
        )
    if facts.free_mb < LEAST_FREE_MB:
        raise SetUpError(
            f"{facts.free_mb:.0f} MB free, {LEAST_FREE_MB} MB are needed: make room on the card"
        )
    if not facts.system:
        raise SetUpError("there is no systemctl: the service needs a system run by systemd")
