"""Starts and stops the outlets of a service. None of them can delay the sampler: they read the
journal through connections of their own, in the event loop or in threads.
"""
# ruff: noqa: PLC0415 - the libraries of an outlet take seconds to load on a small machine

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING

from soakmon.errors import InputError
from soakmon.extras import to_install
from soakmon.reach.backoff import Backoff
from soakmon.reach.event_inbox import ALARMS, FOR_PEOPLE, EventInbox
from soakmon.reach.health import Board, State
from soakmon.reach.supervise import LeftBehind, Stepping, ThreadRunner, supervise
from soakmon.records.outbox import Outbox
from soakmon.texts import say

if TYPE_CHECKING:
    from soakmon.bench.service import Service

log = logging.getLogger(__name__)


class Outlets:
    """The outlets that the configuration asks for; `board` tells how they are.

    They listen from here on, also while their libraries load: make them before the service runs.
    """

    def __init__(self, service: Service) -> None:
        self.service = service
        self.board = Board(service.clock.wall_s)
        service.outlets = self.board.listed
        self.runners: list[ThreadRunner] = []
        self.tasks: list[asyncio.Task[None]] = []
        bench = service.bench
        for name, section in (
            ("mqtt", bench.mqtt),
            ("influx", bench.influx),
            ("phone", bench.phone),
        ):
            self.board.add(name, State.STARTING if section.enabled else State.OFF)
        wall_s = service.clock.wall_s
        self.for_people, self.for_broker = (
            EventInbox(FOR_PEOPLE, wall_s),
            EventInbox(ALARMS, wall_s),
        )
        service.listeners += [self.for_people.hear, self.for_broker.hear]

    def start(self) -> None:
        """Start them, in the running event loop; one that cannot start says so in its health."""
        asyncio.get_running_loop().set_default_executor(LeftBehind())
        bench = self.service.bench
        wanted = (
            (bench.mqtt.enabled, "mqtt", self._mqtt),
            (bench.influx.enabled, "influx", self._influx),
            (bench.phone.enabled, "phone", self._phone),
        )
        for enabled, name, start in wanted:
            if not enabled:
                continue
            try:
                start()
            except InputError as error:
                self.board.down(name, str(error))
            except ModuleNotFoundError as error:
                self.board.down(name, to_install(error))
            except Exception as error:  # an outlet must not keep the bench from working
                log.exception("%s cannot be started", name)
                self.board.down(name, f"cannot be started: {type(error).__name__}")

    def _mqtt(self) -> None:
        from soakmon.reach.mqtt_outlet import NAME, MqttOutlet

        backoff = Backoff()
        outlet = MqttOutlet(
            self.service,
            Outbox(self.service.journal.path, NAME),
            self.board,
            backoff,
            self.for_broker,
        )
        work = supervise(NAME, outlet.work, self.board, backoff)
        self.tasks.append(asyncio.get_running_loop().create_task(work, name=NAME))

    def _influx(self) -> None:
        from soakmon.reach.influx_outlet import InfluxOutlet

        service = self.service
        self._run(
            InfluxOutlet(
                service.bench.service.address,
                service.bench.influx,
                service.journal.path,
                self.board,
                wall_s=service.clock.wall_s,
            )
        )

    def _phone(self) -> None:
        from soakmon.reach.phone_outlet import PhoneOutlet

        service = self.service
        outlet = PhoneOutlet(
            service.bench,
            service.journal.path,
            self.board,
            status=lambda: service.status,
            wall_s=service.clock.wall_s,
            heard=self.for_people,
            acknowledge=self._acknowledge,
        )
        self._run(outlet)

    def _acknowledge(self, marks: list[str]) -> None:
        """By the button of a message; nobody waits for it."""
        service, by = self.service, say("outlets.by_message")
        service.worker.call(lambda: service.commands.acknowledge(marks, by))

    def _run(self, outlet: Stepping) -> None:
        runner = ThreadRunner(outlet, self.board, Backoff())
        self.runners.append(runner)
        runner.start()

    async def stop(self) -> None:
        """Stop them, all at once; the broker is told that the bench leaves on purpose."""
        for task in self.tasks:
            task.cancel()
        threads = [asyncio.to_thread(runner.stop) for runner in self.runners]
        await asyncio.gather(*self.tasks, *threads, return_exceptions=True)
