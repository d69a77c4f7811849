"""A command on its way to the worker, and what became of it.

Who asked may have gone before the worker comes to it: then it is not carried out. From the moment
that it begins to change something it is, and cannot be called back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import TypeVar

from soakmon.errors import SoakmonError

T = TypeVar("T")


class RefusedError(SoakmonError):
    """A command that cannot be carried out now; says why."""


class PendingCommand(Future[T]):
    """The result of a command; cancelling it gives the command up, while that is possible.

    seen: the number of the latch's note when it was asked for; lasting: it is answered only when
    the disk has what it did.
    """

    def __init__(self, command: Callable[[], T], seen: int = 0) -> None:
        super().__init__()
        self.seen = seen
        self.lasting = False
        self.command = command
        self._answer: Callable[[], None] | None = None
        self._deciding = threading.Lock()
        self._decided = self._given_up = False

    def give_up(self) -> bool:
        """Nobody waits any more; whether nothing has been done and nothing will be."""
        with self._deciding:
            if self._decided:
                return False
            self._given_up = True
        super().cancel()
        return True

    def cancel(self) -> bool:
        """The same, as futures call it."""
        return self.give_up()

    def decide(self) -> None:
        """From here on it is carried out; RefusedError when nobody waits for it any more."""
        with self._deciding:
            if self._given_up:
                raise RefusedError("nobody waits for this command any more")
            self._decided = True

    def carry_out(self) -> None:
        """Do it, unless it was given up; never raises an Exception, the answer holds it."""
        if not self.set_running_or_notify_cancel():
            return
        try:
            self._answer = partial(self.set_result, self.command())
        except Exception as error:  # the caller gets it, whatever it is
            self._answer = partial(self.set_exception, error)

    def answer(self, why_not: str = "") -> None:
        """Tell the caller what came of it; why_not: why it did not last after all, or ""."""
        if self._answer is not None and why_not:
            self.set_exception(RefusedError(why_not))
        elif self._answer is not None:
            self._answer()
