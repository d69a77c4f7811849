"""One who is told of events, with a thread of his own while there is something to tell him."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from typing import Any

log = logging.getLogger(__name__)
# Whoever listens returns at once; who does not is left behind.
_WAITS_S = 0.5
_REMEMBERS = 1000


class Ear:
    """Calls a listener in order; one that fails or hangs keeps nobody else from hearing."""

    def __init__(self, listener: Callable[..., None]) -> None:
        self.listener = listener
        self.waiting: deque[tuple[Any, ...]] = deque(maxlen=_REMEMBERS)
        self.turn = threading.Condition()
        self.busy = self.late = False

    def tell(self, *told: Any) -> None:
        """Have it told, and wait for it a moment, unless it was late before."""
        with self.turn:
            self.waiting.append(told)
            idle, self.busy = not self.busy, True
        if idle:
            threading.Thread(target=self._listen, name="ear", daemon=True).start()
        with self.turn:
            heard = self.turn.wait_for(lambda: not self.busy, 0.0 if self.late else _WAITS_S)
        if not heard and not self.late:
            log.error("a listener hangs: %r", self.listener)
        self.late = not heard

    def _listen(self) -> None:
        while True:
            with self.turn:
                if not self.waiting:
                    self.busy = False
                    self.turn.notify_all()
                    return
                event = self.waiting.popleft()
            try:
                self.listener(*event)
            except BaseException:  # whatever it was: the next is told all the same
                log.exception("a listener failed")
