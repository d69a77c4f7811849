"""Reports of ended soaks, each made in a process of its own: drawing takes memory that the service
needs, and gives it back when the process ends.

What is owed stands in the journal and is looked up there, so that nothing of it is forgotten: a
report that failed, or that the power cut short, is tried again.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from soakmon.errors import SoakmonError
from soakmon.page.ports import ReportStage
from soakmon.records.journal import Journal
from soakmon.report.files import file_names

log = logging.getLogger(__name__)


_VERDICT_CODES = {0, 1, 3}
_NICE = 10
_LOOKS_EVERY_S = 0.5
_LONGEST_S = 900.0
# After a failure twice as long each time: what cannot be made must not keep the bench busy.
_AGAIN_S, _LONGEST_WAIT_S = 60.0, 6 * 3600.0
_LOGGED_AT = 2


def owed_in(path: Path) -> list[int]:
    """Soaks in a journal whose report, or what job and bench keep of it, is still to be made."""
    if not path.exists():
        return []
    journal = Journal(path)
    try:
        return journal.owed()
    finally:
        journal.close()


class ReportQueue:
    """The reports in a data folder. One is made at a time; others wait for their turn.

    now_s: a clock for waiting, in s; troubled: called with what is to be said of one that cannot be
    made.
    """

    def __init__(self, folder: Path, now_s: Callable[[], float] = time.monotonic) -> None:
        self.folder, self.now_s = folder, now_s
        self.troubled: Callable[[str], None] = lambda text: None
        self.lock = threading.Lock()
        self.process: subprocess.Popen[bytes] | None = None
        self.making: int | None = None
        self.since_s = 0.0
        self.asked: list[int] = []
        self.failed: dict[int, int] = {}
        self.not_before_s: dict[int, float] = {}
        self.looked_s = float("-inf")
        self.stopping = threading.Event()
        self.thread: threading.Thread | None = None

    def path(self, soak: int) -> Path:
        """The folder of a soak's report."""
        return self.folder / "reports" / f"soak-{soak}"

    def run(self) -> None:
        """Make what is owed and what is asked for, in a thread of its own."""
        self.thread = threading.Thread(target=self._run_on, name="reports", daemon=True)
        self.thread.start()

    def wake(self, soak: int) -> None:
        """A soak has its verdict: look soon whether the journal has it, and owes a report."""
        log.info("soak %d has ended", soak)
        self.looked_s = float("-inf")

    def make(self, soak: int) -> None:
        """Have a report made, in place of one that is there."""
        with self.lock:
            if soak != self.making and soak not in self.asked:
                self.asked.append(soak)
            self.not_before_s.pop(soak, None)
        self.step()

    def state(self, soak: int) -> ReportStage:
        """Where a report stands."""
        self.step()
        with self.lock:
            if soak == self.making or soak in self.asked:
                return "making"
            if all((self.path(soak) / name).is_file() for name in file_names()):
                return "ready"
            return "failed" if soak in self.failed else "missing"

    def step(self) -> None:
        """Note how the one that was being made came out, and begin the next."""
        with self.lock:
            self._look()
            if self.making is not None or self.stopping.is_set():
                return
            soak = self._next()
            if soak is not None:
                self._begin(soak)

    def close(self) -> None:
        """Stop what is being made; it is owed still, and made after the next start."""
        self.stopping.set()
        if self.thread is not None:
            self.thread.join(2 * _LOOKS_EVERY_S)
        with self.lock:
            if self.process is not None:
                self.process.kill()
                self.process.wait(10)
                self.process = self.making = None

    def _run_on(self) -> None:
        while not self.stopping.wait(_LOOKS_EVERY_S):
            try:
                self.step()
            except Exception:  # whatever it was: the next look may find it well
                log.exception("reports cannot be made now")

    def _next(self) -> int | None:
        """The one to make now: first what somebody has asked for."""
        if self.asked:
            return self.asked.pop(0)
        now_s = self.now_s()
        if now_s - self.looked_s < _AGAIN_S:
            return None
        self.looked_s = now_s
        try:
            owed = owed_in(self.folder / "journal.db")
        except SoakmonError as error:
            log.warning("%s", error)
            return None
        due = [soak for soak in owed if now_s >= self.not_before_s.get(soak, 0.0)]
        if len(due) > 1:
            self.looked_s = float("-inf")
        return due[0] if due else None

    def _begin(self, soak: int) -> None:
        target = self.path(soak)
        command = [sys.executable, "-m", "soakmon", "report", str(soak)]
        command += ["--data", str(self.folder), "--report", str(target)]
        try:
            with (self.folder / "report.log").open("ab") as output:
                self.process = subprocess.Popen(command, stdout=output, stderr=output)
        except OSError as error:
            self._failed(soak, str(error))
            return
        self.making, self.since_s = soak, self.now_s()
        # The bench comes first: the guard must not wait for a picture.
        os.setpriority(os.PRIO_PROCESS, self.process.pid, _NICE)
        log.info("report of soak %d goes to %s", soak, target)

    def _look(self) -> None:
        """Note how the process ended, when it has; one that hangs is ended."""
        if self.process is None or self.making is None:
            return
        code = self.process.poll()
        if code is None and self.now_s() - self.since_s > _LONGEST_S:
            self.process.kill()
            code = self.process.wait(10)
        if code is None:
            return
        soak, self.process, self.making = self.making, None, None
        if code in _VERDICT_CODES:
            self.failed.pop(soak, None)
        else:
            self._failed(soak, f"see {self.folder / 'report.log'}")

    def _failed(self, soak: int, why: str) -> None:
        times = self.failed.get(soak, 0)
        self.failed[soak] = times + 1
        wait_s = min(_AGAIN_S * 2**times, _LONGEST_WAIT_S)
        self.not_before_s[soak] = self.now_s() + wait_s
        log.error("report of soak %d failed, tried again in %.0f min: %s", soak, wait_s / 60, why)
        # Once is an accident, such as a machine that was short of memory.
        if times + 1 == _LOGGED_AT:
            self.troubled(f"the report of soak {soak} cannot be made, and is tried again: {why}")
