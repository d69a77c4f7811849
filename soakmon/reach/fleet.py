"""The benches that a broker knows, as plain values with the age of each: for a list of them.

A value that the broker had kept is as old as its `taken_at` says, by this machine's clock; one that
came live is as old as it is here. So a wrong clock elsewhere only matters until the next heartbeat.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

TOPICS = ("availability", "state", "phase", "verdict")
_MOST_BENCHES, _MOST_BYTES = 50, 100_000
_NAME = re.compile(r"[a-z0-9-]{1,32}")
# What is shown of each topic's payload, and the type it must have.
_KEYS: Mapping[str, Mapping[str, type | tuple[type, ...]]] = {
    "availability": {"state": str, "reason": str},
    "state": {
        "feed_open": bool, "alarms_total": int, "alarms_waiting": int, "left_s": (int, float),
        "soaked_s": (int, float), "cell_trouble": str, "guard_trouble": str,
    },
    "phase": {"phase": str, "reason": str},
    "verdict": {"verdict": str, "reason": str, "final": bool},
}  # fmt: skip


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
    """Benches by name, each with what its topics said last; `trouble`: why nothing is heard."""

    benches: dict[str, dict[str, TopicValue]] = field(default_factory=dict)
    connected: bool = False
    trouble: str = ""

    def take(self, topic: str, payload: bytes, now_s: float, wall_s: float, *, kept: bool) -> None:
        """A message on <bench>/<topic>; kept: the broker had it from before.

        What is not ours is ignored; an empty payload takes the value away.
        """
        bench, _, name = topic.rpartition("/")
        if name not in TOPICS or not _NAME.fullmatch(bench) or len(payload) > _MOST_BYTES:
            return
        if bench not in self.benches and len(self.benches) >= _MOST_BENCHES:
            return
        if not payload:
            self.benches.get(bench, {}).pop(name, None)
            return
        try:
            found = json.loads(payload)
            taken_s = datetime.fromisoformat(found["taken_at"]).timestamp()
            values = {key: found[key] for key in _KEYS[name] if key in found}
        except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
            return
        good = {key: value for key, value in values.items() if _fits(value, _KEYS[name][key])}
        old_s = max(wall_s - taken_s, 0.0) if kept else 0.0
        self.benches.setdefault(bench, {})[name] = TopicValue(good, now_s, old_s)

    def listed(self, now_s: float) -> list[dict[str, Any]]:
        """The benches by name; each value with its age in s."""
        return [
            {"name": bench}
            | {
                name: {**heard.values, "age_s": round(heard.age_s(now_s), 1)}
                for name, heard in self.benches[bench].items()
            }
            for bench in sorted(self.benches)
        ]


def _fits(value: Any, kind: type | tuple[type, ...]) -> bool:
    """Whether a value has its type; a truth value is not a number."""
    return isinstance(value, kind) and (kind is bool or not isinstance(value, bool))
