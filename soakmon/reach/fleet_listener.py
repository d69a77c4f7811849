"""Hears the benches of a broker for whoever looks, and only while somebody does.

Every bench has a page: if each of them heard all others all the time, the messages in a shop would
grow with the square of its benches.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager

from soakmon.reach.backoff import Backoff
from soakmon.reach.fleet import TOPICS, Fleet
from soakmon.reach.health import Board, State
from soakmon.reach.mqtt import Link, client_id, connect
from soakmon.reach.supervise import supervise
from soakmon.reach.topics import Message, all_benches
from soakmon.reach_config import MqttSection

NAME = "benches"
STAYS_S = 30.0  # a page that is open asks every few seconds
_EVERY_S = 0.05
_QUIET_S = 0.3  # so long after the last kept message, a broker has given them all
Reached = Callable[[MqttSection, str, Message | None], AbstractAsyncContextManager[Link]]


class FleetListener:
    """Subscribes for a fleet while `look` is called, and for stays_s after; now_s: monotonic, s."""

    def __init__(
        self,
        section: MqttSection,
        fleet: Fleet,
        name: str,
        *,
        shop: str = "",
        now_s: Callable[[], float] = time.monotonic,
        stays_s: float = STAYS_S,
        reached: Reached = connect,
    ) -> None:
        self.section, self.fleet, self.name, self.shop = section, fleet, name, shop
        self.now_s, self.stays_s, self.reached = now_s, stays_s, reached
        self.looked_s = float("-inf")
        self.task: asyncio.Task[None] | None = None
        self.connections = 0

    @property
    def listening(self) -> bool:
        """Whether the broker's messages are heard, or about to be."""
        return self.task is not None and not self.task.done()

    def look(self) -> None:
        """Somebody looks now; call it in the event loop."""
        self.looked_s = self.now_s()
        if not self.listening:
            self.task = asyncio.get_running_loop().create_task(self._listen())

    async def settled(self, within_s: float) -> bool:
        """Wait until the broker has given what it had kept; False when that takes too long."""
        end_s = self.now_s() + within_s
        while not self._quiet():
            if self.now_s() >= end_s or (self.fleet.trouble and not self.fleet.connected):
                return False
            await asyncio.sleep(_EVERY_S)
        return True

    def _quiet(self) -> bool:
        return self.fleet.connected and self.now_s() - self.fleet.retained_s >= _QUIET_S

    async def stop(self) -> None:
        """Stop listening."""
        self.looked_s = float("-inf")
        if self.task is not None:
            self.task.cancel()
            await asyncio.gather(self.task, return_exceptions=True)

    def _looked(self) -> bool:
        return self.now_s() - self.looked_s < self.stays_s

    async def _listen(self) -> None:
        board, backoff = Board(), Backoff(cap_s=15.0)
        board.add(NAME, State.STARTING)
        while self._looked():
            work = supervise(NAME, lambda: self._work(backoff), board, backoff)
            hearing = asyncio.get_running_loop().create_task(work)
            try:
                while self._looked():
                    await asyncio.sleep(_EVERY_S)
            finally:
                hearing.cancel()
                await asyncio.gather(hearing, return_exceptions=True)
                self.fleet.forget()

    async def _work(self, backoff: Backoff) -> None:
        """One connection, until it breaks."""
        fleet, prefix = self.fleet, self.section.prefix
        self.connections += 1

        def hears() -> None:
            fleet.connected, fleet.trouble, fleet.retained_s = True, "", self.now_s()

        try:
            async with self.reached(self.section, client_id(self.name, "list"), None) as link:
                topics = all_benches(prefix, TOPICS, self.shop)
                async for received in link.listen(topics, hears, qos=0):
                    backoff.reset()
                    topic = received.topic.removeprefix(f"{prefix}/")
                    fleet.take(
                        topic,
                        received.payload,
                        self.now_s(),
                        time.time(),
                        retained=received.retained,
                    )
        except Exception as error:
            fleet.trouble = str(error) or type(error).__name__
            raise
        finally:
            fleet.connected = False
