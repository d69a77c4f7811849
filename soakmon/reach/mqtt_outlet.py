"""The bench on MQTT: retained state, readings, drops and alarms; commands when they are allowed."""

from __future__ import annotations

import asyncio
import secrets
import sqlite3
import time
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from soakmon.bench.bench_status import BenchStatus
from soakmon.reach.aside import Aside
from soakmon.reach.backoff import Backoff
from soakmon.reach.claim import ASKS_EVERY_S, Claim
from soakmon.reach.discovery import announcements, places
from soakmon.reach.echo import Echo
from soakmon.reach.event_inbox import ALARMS, EventInbox
from soakmon.reach.health import Board
from soakmon.reach.mqtt import Link, Received, client_id, connect
from soakmon.reach.mqtt_commands import MqttCommands
from soakmon.reach.mqtt_events import EventPublisher
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import COMMANDS, Message, Topics, availability, readings, retained, same
from soakmon.reach_config import MqttSection
from soakmon.records.identity import bench_id
from soakmon.records.outbox import Outbox

if TYPE_CHECKING:
    from soakmon.bench.service import Service

T = TypeVar("T")
# Opens a connection to the broker: section, client's name, last will.
Reached = Callable[[MqttSection, str, Message | None], AbstractAsyncContextManager[Link]]
NAME = "mqtt"
_EVERY_S = 0.5
# A connection must stand this long before the waits begin anew: two that throw each other out, or
# a wire that comes and goes, would else connect all the time.
_STEADY_S = 30.0
_FAREWELL_S = 1.0
_ANSWERS_S = 0.5  # who is there answers at once; an answer that comes later still counts
_SHORT_S = 10.0  # who was away no longer than this has not lost its name
_REASON_CHARS = 200


class MqttOutlet:
    """Publishes a service; `work` is one connection, from birth to its end.

    reached: opens a connection; now_s: a clock for waiting, in s.

    What must arrive is heard again before it counts as told. Alarms come from the journal, with
    their numbers; those that it does not tell within a second go out from memory.
    """

    def __init__(
        self,
        service: Service,
        outbox: Outbox,
        board: Board,
        backoff: Backoff,
        heard: EventInbox | None = None,
        *,
        reached: Reached = connect,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.service, self.outbox, self.board, self.backoff = service, outbox, board, backoff
        self.section = service.bench.mqtt
        self.reached, self.now_s = reached, now_s
        folder = Path(service.journal.path).parent
        own, run = service.bench.service, secrets.token_hex(6)
        self.topics = Topics(self.section.prefix, own.name, bench_id(folder), run, own.shop)
        self.echo = Echo(self.topics, now_s=now_s)
        self.claim = Claim(self.topics, now_s, service.clock.wall_s)
        self.asks_every_s, self.asked_s, self.left_s = ASKS_EVERY_S, now_s(), float("-inf")
        self.aside = Aside()
        self.heard = heard or EventInbox(ALARMS, service.clock.wall_s)
        self.events = EventPublisher(self.topics, self.echo, outbox, self.heard, now_s)
        self.commands = MqttCommands(service, self.topics)
        self.last: dict[str, Message] = {}
        self.state_sent_s = self.readings_sent_s = float("-inf")
        self.seen: BenchStatus | None = None
        self.phone_trouble = ""
        self.connections = 0

    async def work(self) -> None:
        """Connect and publish until the connection breaks (ReachError) or the task is cancelled."""
        wall_s = self.service.clock.wall_s
        with suppress(sqlite3.Error, TimeoutError):
            await self._aside(self._lag)
        will = availability(self.topics, wall_s(), "offline", "connection lost")
        own = client_id(self.topics.bench, run=self.topics.run)
        async with self.reached(self.section, own, will) as link:
            await self._converse(link)

    async def _converse(self, link: Link) -> None:
        """All that goes on over one connection."""
        self.connections += 1
        self.last.clear()
        self.seen = None
        self.state_sent_s = float("-inf")
        hears = asyncio.Event()
        commands: asyncio.Queue[Received] = asyncio.Queue()
        tasks = [
            asyncio.create_task(self._listen(link, hears, commands)),
            asyncio.create_task(self._publish(link, hears)),
            asyncio.create_task(self.commands.obey(link, commands)),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        except asyncio.CancelledError:
            await self._farewell(link)
            raise
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self.left_s = self.now_s()
            with suppress(TimeoutError):
                self.aside.begin(self.events.write_down)

    async def _listen(
        self, link: Link, hears: asyncio.Event, commands: asyncio.Queue[Received]
    ) -> None:
        """Hear what the bench itself says, and commands when they are allowed."""
        topics = [self.topics.of("+"), *self.claim.places[1:]]
        if self.section.discovery:
            topics.append(places(self.topics, self.section))
        if self.section.commands:
            topics += [self.topics.command(name) for name in COMMANDS]
        async for received in link.listen(topics, hears.set):
            if received.topic.startswith(self.topics.of("command/")):
                commands.put_nowait(received)
            elif received.topic in self.claim.places:
                answer = self.claim.take(received.topic, received.payload)
                if answer is not None:
                    await link.publish(answer)
            else:
                self.echo.take(received)

    def _lag(self) -> None:
        since_s = self.outbox.waiting_since_wall_s(batches=False)
        self.board.lag(NAME, self.outbox.events_waiting(), since_s)

    async def _birth(self, link: Link) -> None:
        wall_s = self.service.clock.wall_s()
        if self.section.discovery:
            for message in announcements(self.topics, self.section):
                await self.echo.publish(link, message)
        await self.echo.publish(link, availability(self.topics, wall_s, "online", "started"))
        await self._retain(link, self.service.status)

    async def _ask(self, link: Link) -> None:
        """Speak only when no other bench has this one's name or identity."""
        if self.claim.held and self.now_s() - self.left_s < _SHORT_S:
            return  # a wire that comes and goes must not be filled with questions
        while True:
            await self._question(link)
            await asyncio.sleep(_ANSWERS_S)
            if not self.claim.refusal:
                break
            self._well(self.claim.refusal)
            await asyncio.sleep(self.asks_every_s)
        self.claim.speaks()

    async def _question(self, link: Link) -> None:
        self.asked_s = self.now_s()
        for question in self.claim.questions():
            await link.publish(question)

    async def _farewell(self, link: Link) -> None:
        if self.claim.refusal:
            return  # the topics are another's
        wall_s = self.service.clock.wall_s()
        message = availability(self.topics, wall_s, "offline", "stopped")
        with suppress(ReachError, TimeoutError):
            await asyncio.wait_for(link.publish(message), _FAREWELL_S)

    async def _publish(self, link: Link, hears: asyncio.Event) -> None:
        # A command given to a bench that says it is online must not get lost.
        await hears.wait()
        await self._ask(link)
        await self._birth(link)
        self._well()
        steady_s = self.now_s() + _STEADY_S
        while True:
            if self.now_s() >= steady_s:
                self.backoff.reset()
            await self._hold_name(link)
            status = self.service.status
            await self._retain(link, status)
            await self._publish_readings(link, status)
            if self.echo.called_offline:
                self.echo.called_offline = False
                wall_s = self.service.clock.wall_s()
                again = availability(self.topics, wall_s, "online", "here")
                await self.echo.publish(link, again)
            more = await self._empty_outbox(link)
            await self.events.publish_early(link, self.service.status.soak)
            if not more:
                await asyncio.sleep(_EVERY_S)

    async def _hold_name(self, link: Link) -> None:
        """Ask again when another bench has been heard under our name; give way or go on."""
        if self.echo.twin_s > self.asked_s + self.asks_every_s:
            await self._question(link)  # another one speaks: which of the two may?
        if self.claim.refusal:  # the answer came late
            await self._ask(link)
            self.last.clear()
            await self._birth(link)

    async def _publish_readings(self, link: Link, status: BenchStatus) -> None:
        now_s = self.now_s()
        if now_s - self.readings_sent_s >= self.section.readings_every_s:
            self.readings_sent_s = now_s
            message = readings(self.topics, status)
            if message is not None:
                await link.publish(message)

    def _well(self, trouble: str = "") -> None:
        trouble = trouble or self.claim.rival or self.echo.trouble
        if trouble:
            self.board.down(NAME, trouble)
        else:
            self.board.up(NAME)

    async def _retain(self, link: Link, status: BenchStatus) -> None:
        """Retained topics: those that changed, and the state as a heartbeat."""
        now_s = self.now_s()
        beat = now_s - self.state_sent_s >= self.section.heartbeat_s
        trouble = self.board.trouble("phone")[:_REASON_CHARS]
        if status is self.seen and trouble == self.phone_trouble and not beat:
            return
        self.phone_trouble = trouble
        wall_s = self.service.clock.wall_s()
        messages = retained(self.topics, status, wall_s, trouble)
        for name, message in messages.items():
            if (beat and name == "state") or not same(self.last.get(name), message):
                await self.echo.publish(link, message)
                self.last[name] = message
                if name == "state":
                    self.state_sent_s = now_s
        self.seen = status

    async def _empty_outbox(self, link: Link) -> bool:
        """Publish the next events of the journal; whether there may be more."""
        try:
            events = await self._aside(self.events.next)
            self.events.take_heard()
            if events:
                await self._aside(self._lag)
                await self.events.publish(link, events)
            else:
                self.board.lag(NAME, 0)
        except (sqlite3.Error, TimeoutError) as error:
            self._well(f"the journal: {error}; alarms go out from memory")
            self.events.take_heard()
            return False
        self._well()
        return bool(events)

    async def _aside(self, work: Callable[[], T]) -> T:
        """Work on the disk that nothing waits for longer than a moment."""
        future = asyncio.wrap_future(self.aside.begin(work))
        try:
            return await asyncio.wait_for(asyncio.shield(future), self.aside.patience_s)
        except TimeoutError:
            raise TimeoutError("the disk does not answer") from None
