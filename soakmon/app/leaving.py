"""Told to leave: by Ctrl-C, or by a system that stops its services."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any


def on_leave(leave: Callable[[], object]) -> None:
    """Call this when the process is told to leave; also where Ctrl-C was ignored.

    In the running loop, so between two steps of it. A process that a shell starts beside itself
    ignores Ctrl-C, and would leave by nothing but its killing.
    """
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, leave)


async def until_leave(work: Coroutine[Any, Any, None]) -> None:
    """Do it until its end, or until the process is told to leave: then it is cancelled."""
    task = asyncio.ensure_future(work)
    on_leave(task.cancel)
    with suppress(asyncio.CancelledError):
        await task
