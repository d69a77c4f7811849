"""How the outlets are: state, lag and last error of each, logged once per change of state."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
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


@dataclass(slots=True)
class Health:
    """An outlet; times are wall time, s.

    lag counts the journal entries (phone: messages) that still have to go out, waiting_since is the
    time of the oldest; last_sent: a phone's last message that was taken.
    """

    name: str
    state: State = State.OFF
    since_wall_s: float = 0.0
    last_ok_wall_s: float | None = None
    last_sent_wall_s: float | None = None
    lag: int = 0
    waiting_since_wall_s: float | None = None
    last_error: str = ""
    restarts: int = 0
    parked: int = 0


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
        self.outlets: dict[str, Health] = {}

    def add(self, name: str, state: State) -> None:
        """An outlet and how it begins."""
        with self.lock:
            self.outlets[name] = Health(name, state, self.wall_s())

    def up(self, name: str) -> None:
        """It works."""
        self._set(name, State.UP, "")

    def down(self, name: str, error: str) -> None:
        """It does not work, and why; the error must not hold secrets."""
        self._set(name, State.DOWN, error)

    def _set(self, name: str, state: State, error: str) -> None:
        with self.lock:
            health = self.outlets[name]
            changed = health.state is not state
            now_s = self.wall_s()
            if changed:
                health.state, health.since_wall_s = state, now_s
            if state is State.UP:
                health.last_ok_wall_s = now_s
                self.proved_s[name] = self.now_s()
            else:
                health.last_error = error
        if changed and state is State.UP:
            log.info("%s: works", name)
        elif changed:
            log.warning("%s: %s; trying again", name, error)

    def lag(self, name: str, entries: int, since_wall_s: float | None = None) -> None:
        """How many entries still have to go out, and how old the oldest is."""
        with self.lock:
            health = self.outlets[name]
            health.lag = entries
            health.waiting_since_wall_s = since_wall_s if entries else None

    def sent(self, name: str) -> None:
        """A message was taken by the other side."""
        with self.lock:
            self.outlets[name].last_sent_wall_s = self.wall_s()

    def restarted(self, name: str) -> None:
        """Its task failed and was started again."""
        with self.lock:
            self.outlets[name].restarts += 1

    def parked(self, name: str) -> None:
        """Something that the other side refuses for good was put aside."""
        with self.lock:
            self.outlets[name].parked += 1

    def listed(self) -> list[OutletHealth]:
        """All outlets as they are told, by their names."""
        with self.lock:
            return list(map(self._told, self._all()))

    def trouble(self, name: str) -> str:
        """Why an outlet is down; empty when it is not, or when there is none."""
        with self.lock:
            health = self.outlets.get(name)
            if health is None:
                return ""
            judged = self._told(health)
        return judged.last_error if judged.state == State.DOWN else ""

    def _told(self, health: Health) -> OutletHealth:
        found = OutletHealth(**asdict(health))
        silent_s = self.now_s() - self.proved_s.get(health.name, 0.0)
        if health.state is State.UP and silent_s > _SILENT_AFTER_S:
            error = say("health.no_sign_life_s", silent_s=f"{silent_s:.0f}")
            return found.model_copy(update={"state": str(State.DOWN), "last_error": error})
        return found

    def _all(self) -> list[Health]:
        return sorted(self.outlets.values(), key=lambda health: health.name)
