"""Reports of ended soaks, each made in a process of its own: drawing takes memory that the service
needs, and gives it back when the process ends.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Literal

log = logging.getLogger(__name__)

State = Literal["ready", "making", "failed", "missing"]
FILES = ("report.html", "report.pdf", "verdict.json", "readings.csv", "soak.png", "soak.svg")
_VERDICT_CODES = {0, 1, 3}
_NICE = 10


class Reports:
    """The reports in a data folder. One is made at a time; others wait for their turn."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lock = threading.Lock()
        self.process: subprocess.Popen[bytes] | None = None
        self.making: int | None = None
        self.failed: set[int] = set()

    def path(self, soak: int) -> Path:
        """The folder of a soak's report."""
        return self.folder / "reports" / f"soak-{soak}"

    def make(self, soak: int) -> None:
        """Begin to make a report, in place of one that is there."""
        with self.lock:
            self._look()
            if self.making is None:
                self._begin(soak)

    def state(self, soak: int) -> State:
        """Where a report stands."""
        with self.lock:
            self._look()
            if self.making == soak:
                return "making"
            if all((self.path(soak) / name).is_file() for name in FILES):
                return "ready"
            return "failed" if soak in self.failed else "missing"

    def close(self) -> None:
        """Stop what is being made; it is made again when somebody asks for it."""
        with self.lock:
            if self.process is not None:
                self.process.terminate()
                self.process.wait(10)
                self.process = self.making = None

    def _begin(self, soak: int) -> None:
        target = self.path(soak)
        command = [sys.executable, "-m", "soakmon", "report", str(soak)]
        command += ["--data", str(self.folder), "--report", str(target)]
        self.failed.discard(soak)
        with (self.folder / "report.log").open("ab") as output:
            self.process = subprocess.Popen(command, stdout=output, stderr=output)
        self.making = soak
        # The bench comes first: the guard must not wait for a picture.
        os.setpriority(os.PRIO_PROCESS, self.process.pid, _NICE)
        log.info("report of soak %d goes to %s", soak, target)

    def _look(self) -> None:
        """Note how the process ended, when it has."""
        if self.process is None or self.making is None:
            return
        code = self.process.poll()
        if code is None:
            return
        if code not in _VERDICT_CODES:
            self.failed.add(self.making)
            log.error("report of soak %d failed: see %s", self.making, self.folder / "report.log")
        self.process = self.making = None
