"""Tells of what happens, out of memory: no journal stands between an alarm and people."""

from __future__ import annotations

import logging
import queue
import secrets
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from soakmon.bench.ear import Ear
from soakmon.bench.ports import Panel
from soakmon.records.latch import Latch

log = logging.getLogger(__name__)
Listener = Callable[[float, str, dict[str, Any]], None]
# A hanging disk must not keep a flood from people; a good one has the note long before.
_WAITS_FOR_LATCH_S = 2.0
_WAITS_FOR_TURN_S = 1.0
_REMEMBERS = 1000


def new_uid() -> str:
    """A mark for an alarm: 12 hexadecimal digits."""
    return secrets.token_hex(6)


class Teller:
    """Hands events on to the listeners, in order; an alarm once, and after the latch is on disk.

    A listener is called with t_s, kind and data in a thread of its own (`ear`), should return at
    once, and may fail or hang.
    """

    def __init__(self, latch: Latch, panel: Panel, listeners: list[Listener]) -> None:
        self.latch, self.panel, self.listeners = latch, panel, listeners
        self.waiting: queue.Queue[tuple[float, str, dict[str, Any]]] = queue.Queue()
        self.turn = threading.Lock()
        self.known = threading.Lock()
        self.announced: dict[str, None] = {}
        self.siren = Ear(lambda: panel.show(lamp=True, buzzer=True))
        self.ears: dict[Listener, Ear] = {}

    def tell(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        """Have it told soon; an alarm that was told already is not told again."""
        if kind == "alarm" and (uid := data.get("uid")):
            with self.known:
                if uid in self.announced:
                    return
                self.announced[uid] = None
                while len(self.announced) > _REMEMBERS:
                    del self.announced[next(iter(self.announced))]
        self.waiting.put((t_s, kind, data))

    def deliver(self, wait_s: float = 0.0) -> None:
        """Tell everything that waits; wait_s: how long to wait for the first of it."""
        try:
            event = self.waiting.get(timeout=wait_s) if wait_s else self.waiting.get_nowait()
        except queue.Empty:
            return
        # Another thread may be at it, and may wait for the disk: this one does not wait for long.
        own = self.turn.acquire(timeout=_WAITS_FOR_TURN_S)
        try:
            self._hand_on(*event)
            with suppress(queue.Empty):
                while True:
                    self._hand_on(*self.waiting.get_nowait())
        finally:
            if own:
                self.turn.release()

    def _hand_on(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        if kind == "alarm":
            self.siren.tell()
            if not self.latch.wait(_WAITS_FOR_LATCH_S):
                log.error("told before the latch is on disk: %s", data.get("text"))
        for listener in list(self.listeners):
            self.ears.setdefault(listener, Ear(listener)).tell(t_s, kind, data)
