"""Keeps outlets going: a failure is logged, waited for, and the outlet started again."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import threading
from collections.abc import Awaitable, Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Protocol, TypeVar

from soakmon.errors import InputError
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board

log = logging.getLogger(__name__)
T = TypeVar("T")
_LEAVES_WITHIN_S = 2.0


class ReachError(Exception):
    """The other side does not answer or refuses: worth another try. The text holds no secrets.

    again_s: when to try again; None leaves that to the backoff.
    """

    def __init__(self, text: str, again_s: float | None = None) -> None:
        super().__init__(text)
        self.again_s = again_s


class LeftBehind(ThreadPoolExecutor):
    """Gives every call a thread of its own, which is not waited for when the process ends.

    Python joins the threads of its own pools on the way out: a name server or a mail server that
    does not answer would keep a process alive whose feed is shut and whose journal is closed.
    """

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Call in a new thread."""
        future: Future[T] = Future()

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(fn(*args, **kwargs))
            except BaseException as error:  # the caller gets it, whatever it is
                future.set_exception(error)

        threading.Thread(target=run, name="left-behind", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing to wait for."""


class Stepping(Protocol):
    """An outlet that works step by step in a thread of its own."""

    name: str

    def open(self) -> None:
        """Called once in the thread, before the first step and after a failure."""

    def step(self) -> float:
        """Do what there is to do; how long to rest, s. Raises ReachError to be tried again."""

    def close(self) -> None:
        """Let go of everything; called after `open`, whatever happened."""


class ThreadRunner:
    """Runs a stepping outlet in a daemon thread until told to stop."""

    def __init__(self, outlet: Stepping, board: Board, backoff: Backoff) -> None:
        self.outlet, self.board, self.backoff = outlet, board, backoff
        self.stopping = threading.Event()
        self.thread = threading.Thread(target=self.run, name=outlet.name, daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self.thread.start()

    def stop(self) -> None:
        """Stop after the step that runs; a step that hangs is left behind."""
        self.stopping.set()
        self.thread.join(timeout=_LEAVES_WITHIN_S)

    def run(self) -> None:
        """Steps, and restarts after failures."""
        while not self.stopping.is_set():
            try:
                self.outlet.open()
                self._steps()
            except (InputError, sqlite3.Error) as error:  # a file that is not there or not readable
                self.board.down(self.outlet.name, _in_words(error))
                self.stopping.wait(self.backoff.next_s())
            except Exception as error:  # whatever it is: an outlet must come back
                log.exception("%s failed and is started again", self.outlet.name)
                self.board.down(self.outlet.name, f"failed: {type(error).__name__}")
                self.board.restarted(self.outlet.name)
                self.stopping.wait(self.backoff.next_s())
            finally:
                self.outlet.close()

    def _steps(self) -> None:
        while not self.stopping.is_set():
            try:
                rest_s = self.outlet.step()
            except ReachError as error:
                self.board.down(self.outlet.name, str(error))
                rest_s = self.backoff.next_s() if error.again_s is None else error.again_s
            else:
                self.backoff.reset()
                self.board.up(self.outlet.name)
            self.stopping.wait(rest_s)


def _in_words(error: Exception) -> str:
    """What an expected failure says; the journal's file may come back by itself as well."""
    return f"the journal: {error}" if isinstance(error, sqlite3.Error) else str(error)


async def supervise(
    name: str,
    work: Callable[[], Awaitable[None]],
    board: Board,
    backoff: Backoff,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Await `work` again and again until cancelled; `work` resets the backoff when it succeeds."""
    while True:
        try:
            await work()
        except (ReachError, InputError, sqlite3.Error) as error:
            board.down(name, _in_words(error))
        except Exception as error:  # whatever it is: an outlet must come back
            log.exception("%s failed and is started again", name)
            board.down(name, f"failed: {type(error).__name__}")
            board.restarted(name)
        await sleep(backoff.next_s())
