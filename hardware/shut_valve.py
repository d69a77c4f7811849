"""Shut the feed valve from outside the service: python -m hardware.shut_valve BENCH_TOML

A pin keeps its level when the process that drove it dies, unless the kernel is told otherwise
(README.md, strict_gpiod). systemd runs this after every end of the service, however it ended.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from hardware.pins import lgpio_factory
from hardware.valve import PinValve
from soakmon.errors import SoakmonError
from soakmon.valve_toml import read_valve


def shut_valve(bench_path: Path, factory: Any = None) -> None:
    """Drive the valve's pin to shut, then let go of it. Raises InputError
    for a [valve] of bench.toml that cannot be read, TroubleError for a pin that cannot be had."""
    section = read_valve(bench_path)
    if section.driver == "none":
        return
    pins = lgpio_factory() if factory is None else factory
    PinValve(section.pin, pins, active_high=section.active_high).close()


def main(arguments: list[str]) -> int:
    """Exit code 0 once the valve is shut, 2 with one line when it cannot be."""
    if len(arguments) != 1:
        print("usage: python -m hardware.shut_valve BENCH_TOML", file=sys.stderr)
        return 2
    try:
        shut_valve(Path(arguments[0]))
    except SoakmonError as problem:
        print(f"valve not shut: {problem}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
