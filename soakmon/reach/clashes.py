"""Two benches at once with one name or one identity, as a lookout hears of them and tells.

Pure: values in, messages out; times are monotonic, s.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

from soakmon.bench_address import is_address
from soakmon.reach.rules import Notification
from soakmon.texts import say

# A clash that is heard no more for so long is over, and told anew when it comes again.
_CLASH_S, _MOST_CLASHES = 600.0, 200


@dataclass(slots=True)
class Clash:
    """Two benches with one name or identity, and when that was heard last."""

    heard_s: float
    sent: bool = False


class Clashes:
    """Those of late, by who was there first and who keeps still."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, str], Clash] = {}

    def take(self, payload: bytes, now_s: float, ours: Callable[[str], bool]) -> None:
        """What a bench answers to another; ours: whether a bench is one that is watched."""
        try:
            content = json.loads(payload)
            key = content["bench"], content["to_bench"]
            known = all(is_address(name) for name in key)
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        if not known or not ours(key[0]):
            return
        if key in self.known:
            self.known[key].heard_s = now_s
        elif len(self.known) < _MOST_CLASHES:
            self.known[key] = Clash(now_s)

    def due(self, now_s: float) -> list[Notification]:
        """What is to be told now."""
        notes = []
        for (name, other), clash in list(self.known.items()):
            if now_s - clash.heard_s > _CLASH_S:
                del self.known[name, other]
            elif not clash.sent:
                clash.sent = True
                notes.append(two_of_a_name(name) if name == other else _same_identity(name, other))
        return notes

    def begun(self) -> set[str]:
        """Keys of those that were told."""
        return {
            f"twins/{first}" for (first, two), c in self.known.items() if c.sent and first == two
        }

    def remember(self, name: str, now_s: float) -> None:
        """People have been told of two benches of this name."""
        self.known.setdefault((name, name), Clash(now_s)).sent = True


def two_of_a_name(name: str) -> Notification:
    """That two benches have one name."""
    body = say("silence.two_benches_on_broker_call", name=name)
    title = say("silence.two_benches_are_named", name=name)
    return Notification(f"twins/{name}", title, body, urgent=True)


def _same_identity(name: str, other: str) -> Notification:
    body = say("silence.two_benches_one_identity", name=name, other=other)
    title = say("silence.two_benches_are_one", name=name, other=other)
    return Notification(f"twins/{name}/{other}", title, body, urgent=True)
