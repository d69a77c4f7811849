"""The threads of the service: each does one thing for ever, until told to stop."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable

from soakmon.bench.edges import Drop
from soakmon.bench.keeper import Keeper
from soakmon.bench.sampling import Sampling
from soakmon.bench.serving import Serving
from soakmon.bench.worker import Worker

log = logging.getLogger(__name__)
AIR_EVERY_S = 10.0
_KEEPER_S = _PIECE_S = 1.0
_LOOKS_UP_S = 0.5
_LAST_WORDS_S = 3.0


class Threads:
    """Sampler, worker, keeper, teller, scribe and air of a service.

    One that ends before it was told to, for whatever reason, is reported to the service.
    """

    def __init__(
        self, service: Serving, sampling: Sampling, worker: Worker, keeper: Keeper
    ) -> None:
        self.service, self.sampling = service, sampling
        self.worker, self.keeper = worker, keeper
        self.stopping = threading.Event()
        self.threads: list[threading.Thread] = []

    def start(self) -> None:
        """Start them all."""
        for name, target in (
            ("sampler", self._sample_on),
            ("worker", self._work_on),
            ("keeper", self._keep_on),
            ("teller", self._tell_on),
            ("scribe", self._write_on),
            ("air", self._air_on),
        ):
            thread = threading.Thread(
                target=self._watched, args=(name, target), name=name, daemon=True
            )
            self.threads.append(thread)
            thread.start()

    def _watched(self, name: str, target: Callable[[], None]) -> None:
        error: BaseException | None = None
        try:
            target()
        except BaseException as found:
            error = found
        if not self.stopping.is_set():
            self.service.thread_ended(name, error)

    def stop(self) -> None:
        """Have them stop, and wait a little for it."""
        self.stopping.set()
        self.worker.call(lambda: None)  # wakes the worker
        until_s = time.monotonic() + _LAST_WORDS_S
        for thread in self.threads:
            if thread is not threading.current_thread():
                thread.join(timeout=max(until_s - time.monotonic(), 0.0))

    def _sample_on(self) -> None:
        """Sample at a steady pace; a late sample is not made up for."""
        every_s = 1 / self.service.bench.cell.readings_per_s
        due_s = self.service.clock.boot_s()
        while not self.stopping.is_set():
            self.sampling.sample()
            due_s = max(due_s + every_s, self.service.clock.boot_s())
            self.service.clock.sleep(max(due_s - self.service.clock.boot_s(), 0.0))

    def _work_on(self) -> None:
        held: list[Drop] = []
        while not self.stopping.is_set():
            try:
                work = self.worker.queue.get(timeout=1.0)
            except queue.Empty:
                self.service.beats.worker_s = self.service.clock.boot_s()
                continue
            held = self.worker.carry_out(work, held)
            self.service.beats.worker_s = self.service.clock.boot_s()

    def _keep_on(self) -> None:
        self.service.beats.keeper_s = self.service.clock.boot_s()
        while not self.stopping.is_set():
            self.keeper.keep()
            self.service.clock.sleep(_KEEPER_S)

    def _tell_on(self) -> None:
        while not self.stopping.is_set():
            self.service.teller.deliver(_LOOKS_UP_S)

    def _write_on(self) -> None:
        """Bring the latch to disk; a disk that refuses is asked again."""
        latch = self.service.latch
        while not self.stopping.is_set():
            if latch.wait_for_change(_LOOKS_UP_S) and not latch.write():
                self.stopping.wait(_LOOKS_UP_S)

    def _air_on(self) -> None:
        failed = False
        while not self.stopping.is_set():
            try:
                self.sampling.read_air()
                failed = False
            except Exception:  # without a temperature the soak goes on, and says so
                if not failed:
                    log.exception("the thermometer cannot be read")
                failed = True
            until_s = self.service.clock.boot_s() + AIR_EVERY_S
            while self.service.clock.boot_s() < until_s and not self.stopping.is_set():
                # In pieces, so that nobody waits for it when the service stops.
                self.service.clock.sleep(_PIECE_S)
