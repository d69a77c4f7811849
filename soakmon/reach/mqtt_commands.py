"""Commands that come by MQTT, when they are allowed: what only makes a bench safer."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from soakmon.errors import SoakmonError
from soakmon.reach.mqtt import Link, Received
from soakmon.reach.topics import COMMANDS, Message, Topics, body

if TYPE_CHECKING:
    from soakmon.bench.service import Service

log = logging.getLogger(__name__)
_REASON_CHARS = 200
_COMMAND_BYTES = 2000
_COMMAND_S = 15.0


class MqttCommands:
    """Carries out what comes on the command topics of a service, and answers."""

    def __init__(self, service: Service, topics: Topics) -> None:
        self.service, self.topics = service, topics
        self.names = {topics.command(name): name for name in COMMANDS}

    async def obey(self, link: Link, commands: asyncio.Queue[Received]) -> None:
        """One after the other, for as long as the connection lasts."""
        while True:
            received = await commands.get()
            name = self.names[received.topic]
            answer = await self._carry_out(name, received)
            log.info("command %s by MQTT: %s", name, answer)
            wall_s = self.service.clock.wall_s()
            payload = body("result", wall_s, command=name, result=answer)
            await link.publish(Message(self.topics.of("result"), payload, retain=False))

    async def _carry_out(self, name: str, received: Received) -> str:
        """Do as told; what came of it."""
        if received.retained:
            return "ignored: a retained command may be old"
        try:
            reason = _reason(received.payload)
        except ValueError as error:
            return f"refused: {error}"
        commands: dict[str, Callable[[], object]] = {
            "acknowledge": lambda: self.service.commands.acknowledge(by=reason),
            "isolate": lambda: self.service.commands.isolate(reason),
            "end": lambda: self.service.commands.end(reason),
        }
        answer: Awaitable[object] = asyncio.wrap_future(self.service.worker.call(commands[name]))
        try:
            await asyncio.wait_for(answer, _COMMAND_S)
        except SoakmonError as error:
            return f"refused: {error}"
        except TimeoutError:
            return "failed: the service does not answer"
        return "done"


def _reason(payload: bytes) -> str:
    """The reason in a command's payload: {"reason": "..."}, or nothing at all."""
    if not payload:
        return "by MQTT"
    if len(payload) > _COMMAND_BYTES:
        raise ValueError("the payload is too long")
    try:
        order = json.loads(payload)
    except (ValueError, RecursionError):
        raise ValueError("the payload is not JSON") from None
    if not isinstance(order, dict) or not set(order) <= {"reason"}:
        raise ValueError('the payload may only be {"reason": "..."}')
    reason = order.get("reason", "by MQTT")
    if not isinstance(reason, str) or not 0 < len(reason) <= _REASON_CHARS:
        raise ValueError(f"the reason is a text of 1 to {_REASON_CHARS} characters")
    return reason
