"""Mock pins in place of the Pi's own, wired to the simulated bench of world.py through files.

Put into the site-packages of the program under test with a .pth file that imports it: so the
commands are those that are written for a Pi. It takes the place of gpiozero's module for lgpio.
"""

from __future__ import annotations

import atexit
import os
import sys
import threading
import time
from pathlib import Path
from types import ModuleType
from typing import Any

BENCH = Path(os.environ.get("SOAKMON_TEST_BENCH", "/run/bench"))
GATES = {11, 13, 15, 16}  # header pins of GPIO 17, 27, 22, 23


def _factory():
    from gpiozero.pins.mock import MockFactory, MockPin  # noqa: PLC0415 - only once pins are asked for

    class Wire(MockPin):
        """An output's level lies in a file; a process that ends lets go of it."""

        def _change_state(self, value):
            changed = super()._change_state(value)
            if self.function == "output":
                (BENCH / str(self).removeprefix("GPIO")).write_text(str(int(bool(self.state))))
            return changed

        def _set_pull(self, value):
            super()._set_pull(value)
            if self.info.number in GATES:
                self._state = False  # the receiver sees light: stronger than the pull

    factory = MockFactory(pin_class=Wire)

    def let_go():
        for path in BENCH.glob("[0-9]*"):
            path.write_text("0")

    def follow():
        with (BENCH / "edges").open(encoding="ascii") as edges:
            edges.seek(0, 2)
            while True:
                line = edges.readline()
                if not line:
                    time.sleep(0.01)
                    continue
                pin, blocked = line.split()
                wire = factory.pin(int(pin))
                wire.drive_high() if blocked == "1" else wire.drive_low()

    BENCH.mkdir(mode=0o777, exist_ok=True)
    atexit.register(let_go)
    threading.Thread(target=follow, daemon=True).start()
    return factory


stand_in: Any = ModuleType("gpiozero.pins.lgpio")
stand_in.LGPIOFactory = _factory
sys.modules["gpiozero.pins.lgpio"] = stand_in
