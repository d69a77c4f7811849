"""Ask something that may hang, and wait for the answer only so long.

A read of the kernel's file for a converter that is not there blocks for a second and more; the
service's loop must not. So the read runs in a thread of its own, one at a time.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from soakmon.bench.ports import Reading


class Patient:
    """Runs `job` in a thread when asked, and gives up waiting after wait_s.

    A job that is late is not started again beside itself; its late answer is thrown away at the
    next question, since by then it is old.
    """

    def __init__(self, job: Callable[[], Reading], wait_s: float, name: str) -> None:
        self._job = job
        self._wait_s = wait_s
        self._ask, self._done = threading.Event(), threading.Event()
        self._answer = Reading(None, "nothing read yet")
        self._busy = False
        self._closed = False
        # A daemon: a read that hangs in the kernel must not keep the process from ending.
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def ask(self) -> Reading:
        """The job's answer, or None with the reason after wait_s."""
        if self._closed:
            return Reading(None, "closed")
        if self._busy and self._done.is_set():
            self._busy = False
        if not self._busy:
            self._busy = True
            self._done.clear()
            self._ask.set()
        if not self._done.wait(self._wait_s):
            return Reading(None, f"no answer within {self._wait_s:g} s")
        self._busy = False
        return self._answer

    def close(self) -> None:
        """Let the thread end once its job is done."""
        self._closed = True
        self._ask.set()

    def _work(self) -> None:
        while True:
            self._ask.wait()
            self._ask.clear()
            if self._closed:
                return
            self._answer = self._job()
            self._done.set()
