"""What the service tells from memory, until the journal tells it too.

An alarm must not wait for a disk, and must not be told twice because the disk tells it as well.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter, deque
from collections.abc import Callable, Container
from typing import Any

from soakmon.records.journal import Event

_MOST = 1000


class Heard:
    """Events from memory; `hear` may be called from any thread, does not block and never raises.

    kinds: what is listened to. known: keys that were kept over a restart (`kept`).
    """

    def __init__(
        self,
        kinds: Container[str],
        wall_s: Callable[[], float],
        known: dict[str, int] | None = None,
    ) -> None:
        self.kinds, self.wall_s = kinds, wall_s
        self.new: deque[Event] = deque(maxlen=_MOST)
        self.known = Counter(known or {})

    def hear(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        """Take an event from the service's memory; it has no number yet."""
        if kind in self.kinds:
            self.new.append(Event(0, None, t_s, self.wall_s(), kind, dict(data)))

    def fresh(self) -> list[Event]:
        """What has come since the last call; each has a `uid` by which it is known again."""
        found = []
        while self.new:
            event = self.new.popleft()
            key = uid(event)
            self.known[key] += 1
            event.data["uid"] = key
            found.append(event)
        for old in list(self.known)[: max(len(self.known) - _MOST, 0)]:
            del self.known[old]  # the journal has never told them: a crash was quicker
        return found

    def again(self, event: Event) -> bool:
        """Whether an event of the journal was heard from memory before; asked once for each."""
        key = uid(event)
        if not self.known[key]:
            del self.known[key]
            return False
        self.known[key] -= 1
        if not self.known[key]:
            del self.known[key]
        return True

    def kept(self) -> dict[str, int]:
        """What was heard and not seen in the journal yet, for after a restart."""
        return dict(self.known)


def uid(event: Event) -> str:
    """The event's own `uid`, or one made of what it says: the same from memory and journal."""
    own = event.data.get("uid")
    if own:
        return str(own)
    said = json.dumps([event.kind, event.t_s, event.data], sort_keys=True, default=str)
    return hashlib.sha256(said.encode()).hexdigest()[:12]
