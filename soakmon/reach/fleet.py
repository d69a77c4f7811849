"""The benches that a broker knows, as plain values with the age of each: for a list of them.

A value that the broker had kept is as old as its `taken_at` says, by this machine's clock; one that
came live is as old as it is here. So a wrong clock elsewhere only matters until the next heartbeat.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from soakmon.bench_address import parts_of
from soakmon.reach.topics import MOST_LISTED, place_of

TOPICS = ("availability", "state", "phase", "verdict")
MOST_BENCHES = 5000
_MOST_BYTES, _MOST_TEXT = 100_000, 500
# What is shown of each topic's payload, and the type it must have.
_KEYS: Mapping[str, Mapping[str, type | tuple[type, ...]]] = {
    "availability": {"state": str, "reason": str},
    "state": {
        "feed_open": bool, "alarms_total": int, "alarms_waiting": int, "left_s": (int, float),
        "soaked_s": (int, float), "cell_trouble": str, "guard_trouble": str,
        "waiting": list, "acknowledged": list,
    },
    "phase": {"phase": str, "reason": str},
    "verdict": {"verdict": str, "reason": str, "final": bool},
}  # fmt: skip
_ALARM: Mapping[str, type] = {"kind": str, "carb": int, "text": str, "by": str}


@dataclass(frozen=True, slots=True)
class TopicValue:
    """What a topic said: values, when it came (monotonic s), and how old it was then (s)."""

    values: dict[str, Any]
    at_s: float
    old_s: float

    def age_s(self, now_s: float) -> float:
        """How old it is."""
        return max(now_s - self.at_s, 0.0) + self.old_s


@dataclass(slots=True)
class Fleet:
    """Benches by address (`bench`, or `shop/bench`), each with what its topics said last.

    trouble: why nothing is heard; full: whether there are more benches than are taken in; kept_s:
    when the last message came that the broker had kept, monotonic; messages: how many came in all.
    """

    benches: dict[str, dict[str, TopicValue]] = field(default_factory=dict)
    connected: bool = False
    trouble: str = ""
    full: bool = False
    retained_s: float = 0.0
    messages: int = 0

    def take(
        self, topic: str, payload: bytes, now_s: float, wall_s: float, *, retained: bool
    ) -> None:
        """A message below the prefix; retained: the broker had it from before.

        What is not ours is ignored; an empty payload takes the value away, and with its last value
        the bench.
        """
        self.messages += 1
        if retained:
            self.retained_s = now_s
        place = place_of(topic)
        if place is None or place[1] not in TOPICS or len(payload) > _MOST_BYTES:
            return
        address, name = place
        if not payload:
            self.benches.get(address, {}).pop(name, None)
            if not self.benches.get(address, True):
                del self.benches[address]
            return
        good = _values(name, payload)
        if good is None:
            return
        if address not in self.benches and len(self.benches) >= MOST_BENCHES:
            self.full = True
            return
        values, taken_s = good
        old_s = max(wall_s - taken_s, 0.0) if retained else 0.0
        self.benches.setdefault(address, {})[name] = TopicValue(values, now_s, old_s)

    def forget(self) -> None:
        """Nobody listens any more: what was heard would only grow old."""
        self.benches.clear()
        self.connected, self.full, self.trouble = False, False, ""

    def listed(self, now_s: float) -> list[dict[str, Any]]:
        """The benches by address; each value with its age in s."""
        return [
            _named(address)
            | {
                name: {**heard.values, "age_s": round(heard.age_s(now_s), 1)}
                for name, heard in self.benches[address].items()
            }
            for address in sorted(self.benches)
        ]


def _named(address: str) -> dict[str, str]:
    shop, name = parts_of(address)
    return {"name": name, "shop": shop} if shop else {"name": name}


def _values(name: str, payload: bytes) -> tuple[dict[str, Any], float] | None:
    """What is shown of a payload, and its wall time, s; None for what is not ours."""
    try:
        content = json.loads(payload)
        taken_s = datetime.fromisoformat(content["taken_at"]).timestamp()
        values = {key: content[key] for key in _KEYS[name] if key in content}
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return None
    good = {key: value for key, value in values.items() if _fits(value, _KEYS[name][key])}
    for key in ("waiting", "acknowledged"):
        if key in good:
            good[key] = [
                _alarm(alarm) for alarm in good[key][:MOST_LISTED] if isinstance(alarm, dict)
            ]
    return good, taken_s


def _alarm(alarm: dict[str, Any]) -> dict[str, Any]:
    """What is shown of an alarm: known keys of the right type, texts no longer than helps."""
    good = {key: alarm[key] for key in _ALARM if key in alarm and _fits(alarm[key], _ALARM[key])}
    return {
        key: value[:_MOST_TEXT] if isinstance(value, str) else value for key, value in good.items()
    }


def _fits(value: Any, kind: type | tuple[type, ...]) -> bool:
    """Whether a value has its type; a truth value is not a number."""
    return isinstance(value, kind) and (kind is bool or not isinstance(value, bool))
