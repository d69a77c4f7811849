"""What the service tells from memory, until the journal tells it too.

An alarm must not wait for a disk, and must not be told twice because the disk tells it as well.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Callable, Container
from typing import Any

from soakmon.records.journal import Event

# What messages to people are made of; results may wait for the journal, they need its title.
FOR_PEOPLE = frozenset({"alarm", "ack", "feed", "phase"})
ALARMS = frozenset({"alarm"})
_MOST_NEW, _MOST_KNOWN = 1000, 100


class EventInbox:
    """Events from memory; `hear` may be called from any thread, does not block and never raises.

    Either of the two may be first, and each event is taken from whichever is: what has a `uid` is
    known by that, all else by what it says, as often as it was said. kinds: what is listened to.
    """

    def __init__(self, kinds: Container[str], wall_s: Callable[[], float]) -> None:
        self.kinds, self.wall_s = kinds, wall_s
        self.new: deque[Event] = deque(maxlen=_MOST_NEW)
        self.marks: dict[str, None] = {}
        self.ahead: dict[str, int] = {}  # how often memory told it more than the journal, or less

    def hear(self, t_s: float, kind: str, data: dict[str, Any]) -> None:
        """Take an event from the service's memory; it has no number yet."""
        if kind in self.kinds:
            self.new.append(Event(0, None, t_s, self.wall_s(), kind, dict(data)))

    def fresh(self) -> list[Event]:
        """What memory has told since the last call and the journal has not; each with a `uid`."""
        events = []
        while self.new:
            event = self.new.popleft()
            key = uid(event)
            if not self._known(event, key, 1):
                event.data["uid"] = key
                events.append(event)
        return events

    def again(self, event: Event) -> bool:
        """Whether memory has told an event of the journal before; asked once for each."""
        return event.kind in self.kinds and self._known(event, uid(event), -1)

    def _known(self, event: Event, key: str, step: int) -> bool:
        """Whether the other side has told it; step: 1 for memory, -1 for the journal."""
        if event.data.get("uid"):
            known = key in self.marks
            self.marks[key] = None
        else:
            before = self.ahead.pop(key, 0)
            known = before * step < 0
            if before + step:
                self.ahead[key] = before + step
        for memory in (self.marks, self.ahead):
            while len(memory) > _MOST_KNOWN:
                memory.pop(next(iter(memory)))
        return known

    def as_memo(self) -> dict[str, Any]:
        """What is known, for after a restart."""
        return {"marks": list(self.marks), "ahead": dict(self.ahead)}

    def remember(self, memo: dict[str, Any]) -> None:
        """Take up what was known before a restart."""
        self.marks = dict.fromkeys(memo.get("marks", [])) | self.marks
        self.ahead = {str(key): int(count) for key, count in memo.get("ahead", {}).items()}


def uid(event: Event) -> str:
    """The event's own `uid`, or one made of what it says: the same from memory and journal."""
    own = event.data.get("uid")
    if own:
        return str(own)
    text = json.dumps([event.kind, event.t_s, event.data], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]
