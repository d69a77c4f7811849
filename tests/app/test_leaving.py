"""A process that is told to leave: what it does is cancelled, and ended in order."""

from __future__ import annotations

import asyncio
import os
import signal

import pytest

from soakmon.app.leaving import until_leave


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_what_is_done_ends_in_order_when_the_process_is_told_to_leave(number):
    ended = asyncio.Event()

    async def work():
        asyncio.get_running_loop().call_soon(os.kill, os.getpid(), number)
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()

    await asyncio.wait_for(until_leave(work()), 10)
    assert ended.is_set()


async def test_what_ends_by_itself_is_not_waited_for_and_tells_its_error():
    async def fails():
        raise ValueError("invented")

    with pytest.raises(ValueError, match="invented"):
        await until_leave(fails())
