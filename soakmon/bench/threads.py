"""The threads of the service: each does one thing for ever, until told to stop."""

from __future__ import annotations

import logging
import queue
import threading
from typing import TYPE_CHECKING

from soakmon.bench.edges import Drop

if TYPE_CHECKING:
    from soakmon.bench.service import Service

log = logging.getLogger(__name__)
AIR_EVERY_S = 10.0
_KEEPER_S = 1.0
_LAST_WORDS_S = 5.0


class Threads:
    """Sampler, worker, keeper and air of a service."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.stopping = threading.Event()
        self.threads: list[threading.Thread] = []

    def start(self) -> None:
        """Start them all."""
        for name, target in (
            ("sampler", self._sample_on),
            ("worker", self._work_on),
            ("keeper", self._keep_on),
            ("air", self._air_on),
        ):
            thread = threading.Thread(target=target, name=name, daemon=True)
            self.threads.append(thread)
            thread.start()

    def stop(self) -> None:
        """Have them stop, and wait for it."""
        self.stopping.set()
        self.service.call(lambda: None)  # wakes the worker
        for thread in self.threads:
            thread.join(timeout=_LAST_WORDS_S)

    def _sample_on(self) -> None:
        """Sample at a steady pace; a late sample is not made up for."""
        every_s = 1 / self.service.bench.cell.readings_per_s
        due_s = self.service.clock.boot_s()
        while not self.stopping.is_set():
            try:
                self.service.sample()
            except Exception:  # whatever it was: the feed is shut, and sampling goes on
                log.exception("sampling failed")
                self.service.parts.valve.shut()
            due_s = max(due_s + every_s, self.service.clock.boot_s())
            self.service.clock.sleep(max(due_s - self.service.clock.boot_s(), 0.0))

    def _work_on(self) -> None:
        held: list[Drop] = []
        while not self.stopping.is_set():
            try:
                work = self.service.work.get(timeout=1.0)
            except queue.Empty:
                self.service.beats.worker_s = self.service.clock.boot_s()
                continue
            held = self.service.carry_out(work, held)
            self.service.beats.worker_s = self.service.clock.boot_s()

    def _keep_on(self) -> None:
        while not self.stopping.is_set():
            self.service.keep()
            self.service.clock.sleep(_KEEPER_S)

    def _air_on(self) -> None:
        while not self.stopping.is_set():
            self.service.read_air()
            self.service.clock.sleep(AIR_EVERY_S)
