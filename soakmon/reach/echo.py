"""Hears what the bench itself has published: an MQTT broker acknowledges what it throws away.

(MQTT 3.1.1, section 3.3.5: a server that does not authorise a publish has no way of telling the
client.) Beside its own words a bench may hear those of another that has its name.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from soakmon.reach.mqtt import Link, Received
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message, Topics, opened

_BACK_WITHIN_S = 10.0
_TWIN_FOR_S = 600.0


class Echo:
    """Publishes, and waits until it has heard what it said."""

    def __init__(
        self,
        topics: Topics,
        back_within_s: float = _BACK_WITHIN_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.topics, self.back_within_s, self.now_s = topics, back_within_s, now_s
        self.expected: dict[tuple[str, bytes], asyncio.Future[None]] = {}
        self.twin_s = float("-inf")
        self.called_offline = False

    async def publish(self, link: Link, message: Message) -> None:
        """Publish; ReachError when the broker does not pass it on."""
        key = message.topic, message.payload.encode()
        back = self.expected[key] = asyncio.get_running_loop().create_future()
        try:
            await link.publish(message)
            await asyncio.wait_for(back, self.back_within_s)
        except TimeoutError:
            raise ReachError(
                f"the broker takes {message.topic} and does not pass it on: its access list must"
                f" let the bench read and write {self.topics.of('#')}"
            ) from None
        finally:
            self.expected.pop(key, None)

    def take(self, received: Received) -> None:
        """A message on one of the bench's own topics."""
        if received.retained:
            return  # kept from before: it proves nothing of now
        back = self.expected.get((received.topic, received.payload))
        if back is not None:
            if not back.done():
                back.set_result(None)
            return
        content = opened(received.payload)
        other = content.get("run", "") != self.topics.run
        if received.topic == self.topics.of("state") and other:
            self.twin_s = self.now_s()
        elif received.topic == self.topics.of("availability") and content.get("state") == "offline":
            self.called_offline = True  # the will of a connection that was lost before this one

    @property
    def trouble(self) -> str:
        """Whether another bench has this one's name; empty when none was heard of late."""
        if self.now_s() - self.twin_s > _TWIN_FOR_S:
            return ""
        return (
            f"another bench on the broker calls itself {self.topics.bench} too: give each its own"
            " service.name, else one that falls silent hides behind the other"
        )
