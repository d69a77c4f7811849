"""Work on a disk, aside of what must go on: a card that hangs holds up nobody."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from soakmon.reach.supervise import LeftBehind

T = TypeVar("T")
_PATIENCE_S = 2.0  # a busy card takes a second for a commit now and then: judgement


class Aside:
    """One piece of work at a time, in a thread that is not waited for longer than patience_s."""

    def __init__(self, patience_s: float = _PATIENCE_S) -> None:
        self.patience_s = patience_s
        self.pool = LeftBehind()
        self.running: Future[Any] | None = None

    def begin(self, work: Callable[[], T]) -> Future[T]:
        """Have it done; raises TimeoutError while the piece before has not come back."""
        if self.running is not None and not self.running.done():
            raise TimeoutError("the disk does not answer")
        future = self.pool.submit(work)
        self.running = future
        return future

    def do(self, work: Callable[[], T]) -> T:
        """Have it done and wait for it; TimeoutError when the disk does not answer in time."""
        future = self.begin(work)
        try:
            return future.result(self.patience_s)
        except TimeoutError:
            raise TimeoutError("the disk does not answer") from None
