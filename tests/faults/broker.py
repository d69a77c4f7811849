"""A broker that is gone, refuses, hangs or throws away, and the loop in which it is spoken to.

Both go by the time of the world: a loop does what is due by now, in the caller's thread.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from soakmon.reach.mqtt import Received
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message

_MOST_TURNS = 5000
ORDERED = "from afar"
_CONNECTS_WITHIN_S = 5.0
# A connection on which nothing comes is given up by the library.
_KEEPS_ALIVE_S = 60.0


class SteppedLoop(asyncio.SelectorEventLoop):
    """An event loop that is moved on by hand; now_s: the time of the world."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self.now_s = now_s
        super().__init__()
        # What a killed process leaves behind is nobody's business.
        self.set_exception_handler(lambda loop, context: None)

    def time(self) -> float:
        return self.now_s()

    def settle(self) -> None:
        """Do all that is due by now, and what comes of it."""
        for _ in range(_MOST_TURNS):
            self.call_soon(self.stop)
            self.run_forever()
            loop: Any = self  # what waits in it is no part of what it promises
            due = any(not t.cancelled() and t.when() <= self.time() for t in loop._scheduled)
            if not loop._ready and not due:
                return
        raise AssertionError("the loop never comes to rest")

    def bury(self) -> None:
        """Nothing in it does anything more."""
        for task in asyncio.all_tasks(self):
            task.cancel()
        self.settle()
        self.run_until_complete(self.shutdown_asyncgens())
        self.close()


class Link:
    """A connection as the bench sees it."""

    def __init__(self, broker: Broker) -> None:
        self.broker = broker
        self.inbox: asyncio.Queue[Received | None] = asyncio.Queue()
        self.broken = asyncio.Event()

    def cut(self) -> None:
        self.broken.set()
        self.inbox.put_nowait(None)

    async def publish(self, message: Message) -> None:
        if self.broker.way == "hangs":
            await asyncio.wait((asyncio.ensure_future(self.broken.wait()),), timeout=_KEEPS_ALIVE_S)
            self.cut()
        if self.broken.is_set():
            raise ReachError("the connection to the broker broke")
        if self.broker.way != "throws away":
            self.broker.take(message)
            self.inbox.put_nowait(Received(message.topic, message.payload.encode(), False))

    async def listen(
        self, topics: list[str], hears: Callable[[], None], qos: int = 1
    ) -> AsyncIterator[Received]:
        hears()
        while (received := await self.inbox.get()) is not None:
            yield received
        raise ReachError("the connection to the broker broke")


class Broker:
    """kept: the retained payloads; alarms: marks of all that came; broke: how it was ill last."""

    def __init__(self) -> None:
        self.way, self.broke = "up", ""
        self.link: Link | None = None
        self.will: Message | None = None
        self.kept: dict[str, dict[str, Any]] = {}
        self.alarms: list[str] = []

    def set(self, way: str) -> None:
        """From now on it is so; who is connected to one that goes is cut off."""
        self.way = way
        self.broke = way if way != "up" else self.broke
        if way in {"gone", "refuses"}:
            self.cut()

    def cut(self) -> None:
        """The connection breaks, and the last will is carried out."""
        if self.link is not None:
            self.link.cut()
            self.link = None
            if self.will is not None:
                self.take(self.will)

    def take(self, message: Message) -> None:
        told = json.loads(message.payload) if message.payload else {}
        name = message.topic.rpartition("/")[2]
        if message.retain:
            self.kept[name] = told
        elif name == "alarms":
            self.alarms.append(told["uid"])

    def order(self, what: str) -> None:
        """Somebody commands by way of the broker."""
        if self.link is not None and self.way == "up":
            topic = f"soakmon/bench/command/{what}"
            said = json.dumps({"reason": ORDERED}).encode()
            self.link.inbox.put_nowait(Received(topic, said, False))

    @asynccontextmanager
    async def reached(
        self, section: Any, identity: str, will: Message | None
    ) -> AsyncIterator[Link]:
        if self.way == "hangs":
            await asyncio.sleep(_CONNECTS_WITHIN_S)
        if self.way in {"hangs", "gone", "refuses"}:
            raise ReachError("no connection")
        link = self.link = Link(self)
        self.will = will
        try:
            yield link
        finally:
            if self.link is link:
                self.link = None
