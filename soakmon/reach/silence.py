"""When is a bench silent? Plain values in, messages out; times are monotonic, in s.

A bench's heartbeat is the `taken_at` of its state, which only moves while its readings do. Its age
is counted by the lookout's own clock from when it last moved, so that clocks need not agree.
"""

from __future__ import annotations

import json
from collections.abc import Container
from dataclasses import dataclass

from soakmon.reach.rules import Told

_RUNNING = {"preflight", "filling", "settling", "soaking", "isolating"}
_WILL_S = 30.0


@dataclass(slots=True)
class Seen:
    """A bench as it was last heard."""

    heard_s: float
    phase: str = ""
    beat: str = ""
    offline_s: float | None = None
    told: bool = False
    silent_from_s: float = 0.0
    grace_s: float = 0.0  # no judgement on what was not heard before this


class Silence:
    """Watches benches; silent_s, broker_s: how long before somebody is told."""

    def __init__(
        self, silent_s: float, broker_s: float, only: Container[str] | None, now_s: float
    ) -> None:
        self.silent_s, self.broker_s, self.only = silent_s, broker_s, only
        self.benches: dict[str, Seen] = {}
        self.connected = False
        self.changed_s = now_s
        self.broker_told = False

    def connection(self, connected: bool, now_s: float) -> None:
        """The connection to the broker came or went."""
        if connected == self.connected:
            return
        self.connected, self.changed_s = connected, now_s
        for seen in self.benches.values():
            # What happened meanwhile nobody knows: everybody has the full time again.
            seen.grace_s, seen.offline_s = now_s, None

    def take(self, bench: str, topic: str, payload: bytes, now_s: float) -> None:
        """A message of a bench on its topic availability or state; what is not ours is ignored."""
        if self.only is not None and bench not in self.only:
            return
        try:
            found = json.loads(payload)
            schema = found["schema"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        seen = self.benches.setdefault(bench, Seen(now_s))
        if topic == "availability" and schema == "soakmon.availability/1":
            offline = found.get("state") != "online"
            if not offline:
                seen.offline_s = None
            elif seen.offline_s is None:
                seen.offline_s = now_s
        elif topic == "state" and schema == "soakmon.state/1":
            seen.phase = str(found.get("phase", ""))
            if found.get("taken_at") != seen.beat:
                seen.beat, seen.heard_s = str(found.get("taken_at")), now_s

    def due(self, now_s: float) -> list[Told]:
        """What is to be told now."""
        found = self._broker(now_s)
        if self.connected:
            for name, seen in self.benches.items():
                found += self._bench(name, seen, now_s)
        return found

    def opinions(self) -> dict[str, str]:
        """What is thought of each bench now: its phase, or that it is silent."""
        if not self.connected:
            return dict.fromkeys(self.benches, "not known: no broker")
        return {
            name: "silent" if seen.told else seen.phase or "not heard yet"
            for name, seen in self.benches.items()
        }

    def _broker(self, now_s: float) -> list[Told]:
        if not self.connected and not self.broker_told and now_s - self.changed_s >= self.broker_s:
            self.broker_told = True
            body = "No connection to the MQTT broker: nobody knows how the benches are. Look."
            return [Told("broker", "The broker is gone", body, urgent=True)]
        if self.connected and self.broker_told:
            self.broker_told = False
            return [Told("broker", "The broker is back", "The benches are watched again.", False)]
        return []

    def _bench(self, name: str, seen: Seen, now_s: float) -> list[Told]:
        will_s = min(_WILL_S, self.silent_s)
        gone = seen.offline_s is not None and now_s - seen.offline_s >= will_s
        stale = now_s - max(seen.heard_s, seen.grace_s) >= self.silent_s
        if not seen.told and seen.phase in _RUNNING and (gone or stale):
            seen.told = True
            seen.silent_from_s = seen.heard_s
            silence = _time(now_s - seen.heard_s)
            why = "it has left the broker" if gone else f"no heartbeat for {silence}"
            body = (
                f"Bench {name} was {seen.phase} and has fallen silent: {why}. Whether it still "
                "watches, or has shut its feed, is not known. Go and look; shut the bottle's tap."
            )
            return [Told(f"silent/{name}", f"Bench {name} is silent", body, urgent=True)]
        if seen.told and seen.offline_s is None and seen.heard_s > seen.silent_from_s and not stale:
            seen.told = False
            away = _time(seen.heard_s - seen.silent_from_s)
            body = f"Bench {name} is back after {away}; it is {seen.phase} now."
            return [Told(f"silent/{name}", f"Bench {name} is back", body, urgent=False)]
        return []


def _time(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
