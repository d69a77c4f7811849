"""How the outlets are: state, lag and last error of each, logged once per change of state."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from enum import StrEnum

from soakmon.bench.bench_status import OutletHealth
from soakmon.texts import say

log = logging.getLogger(__name__)
_SILENT_AFTER_S = 60.0


class State(StrEnum):
    """How an outlet is."""

    OFF = "off"
    STARTING = "starting"
    UP = "up"
    DOWN = "down"


class Board:
    """All outlets' health; outlets write from their threads, the API reads.

    "Up" is believed for a minute: an outlet that hangs cannot say so itself.
    """

    def __init__(
        self,
        wall_s: Callable[[], float] = time.time,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.wall_s, self.now_s = wall_s, now_s
        self.proved_s: dict[str, float] = {}
        self.lock = threading.Lock()
        self.outlets: dict[str, OutletHealth] = {}

    def add(self, name: str, state: State) -> None:
        """An outlet and how it begins."""
        with self.lock:
            now_s = self.wall_s()
            self.outlets[name] = OutletHealth(name=name, state=str(state), since_wall_s=now_s)

    def up(self, name: str) -> None:
        """It works."""
        with self.lock:
            now_s = self.wall_s()
            self.proved_s[name] = self.now_s()
            changed = self._turned(name, State.UP, now_s)
            self._change(name, last_ok_wall_s=now_s)
        if changed:
            log.info("%s: works", name)

    def down(self, name: str, error: str) -> None:
        """It does not work, and why; the error must not hold secrets."""
        with self.lock:
            changed = self._turned(name, State.DOWN, self.wall_s())
            self._change(name, last_error=error)
        if changed:
            log.warning("%s: %s; trying again", name, error)

    def _turned(self, name: str, state: State, now_s: float) -> bool:
        """Set the state; whether it was another."""
        if self.outlets[name].state == state:
            return False
        self._change(name, state=str(state), since_wall_s=now_s)
        return True

    def _change(self, name: str, **changes: object) -> None:
        self.outlets[name] = self.outlets[name].model_copy(update=changes)

    def lag(self, name: str, entries: int, since_wall_s: float | None = None) -> None:
        """How many entries still have to go out, and how old the oldest is."""
        with self.lock:
            waiting_s = since_wall_s if entries else None
            self._change(name, lag=entries, waiting_since_wall_s=waiting_s)

    def sent(self, name: str) -> None:
        """A message was taken by the other side."""
        with self.lock:
            self._change(name, last_sent_wall_s=self.wall_s())

    def restarted(self, name: str) -> None:
        """Its task failed and was started again."""
        with self.lock:
            self._change(name, restarts=self.outlets[name].restarts + 1)

    def parked(self, name: str) -> None:
        """Something that the other side refuses for good was put aside."""
        with self.lock:
            self._change(name, parked=self.outlets[name].parked + 1)

    def listed(self) -> list[OutletHealth]:
        """All outlets as they are told, by their names."""
        with self.lock:
            return [self._believed(self.outlets[name]) for name in sorted(self.outlets)]

    def trouble(self, name: str) -> str:
        """Why an outlet is down; empty when it is not, or when there is none."""
        with self.lock:
            health = self.outlets.get(name)
            if health is None:
                return ""
            believed = self._believed(health)
        return believed.last_error if believed.state == State.DOWN else ""

    def _believed(self, health: OutletHealth) -> OutletHealth:
        silent_s = self.now_s() - self.proved_s.get(health.name, 0.0)
        if health.state == State.UP and silent_s > _SILENT_AFTER_S:
            error = say("health.no_sign_life_s", silent_s=f"{silent_s:.0f}")
            return health.model_copy(update={"state": str(State.DOWN), "last_error": error})
        return health
