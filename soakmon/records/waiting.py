"""What waits to be written into the journal: statements with their numbers, in order.

Every entry has its number before it is first tried, and is only ever tried as it is. So a commit
whose answer was lost can be tried again: what went in is there already, and nothing is twice.
"""

from __future__ import annotations

import threading
import zlib
from dataclasses import dataclass
from typing import Any

from soakmon.records.packing import pack
from soakmon.watch.rows import Rows

# A week of a bench that cannot write: 48 bytes a second with four gates.
MOST_BYTES = 32_000_000
_BATCH = (
    "INSERT INTO batch (id, soak, boot, boot_s, wall_s, synchronised, rows, crc)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO NOTHING"
)
_EVENT = (
    "INSERT INTO event (id, soak, t_s, wall_s, kind, data) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT(id) DO NOTHING"
)
_SOAK = (
    "INSERT INTO soak (id, title, job, started_wall_s, gates, configuration, first_batch)"
    " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO NOTHING"
)
_FINISH = "UPDATE soak SET ended_t_s = ?, verdict = ?, owed = 1 WHERE id = ? AND ended_t_s IS NULL"


@dataclass(frozen=True, slots=True)
class Anchor:
    """Ties soak time to the clocks, to bridge a restart: the last moment that was committed."""

    boot: str
    t_s: float
    boot_s: float
    wall_s: float
    synchronised: bool


@dataclass(frozen=True, slots=True)
class Entry:
    """One statement with its values; of readings: their bytes, and how long they last in s."""

    statement: str
    values: tuple[Any, ...]
    size: int = 0
    lasts_s: float = 0.0


class Waiting:
    """The queue to the disk; any thread may put something in.

    soak, batch, event: the highest numbers given so far. given_up_s: readings that were dropped
    because too many waited. Between `hold` and `release` what comes in is kept apart: what belongs
    together is written together or not at all.
    """

    def __init__(self, soak: int, batch: int, event: int) -> None:
        self.soak, self.batch, self.event = soak, batch, event
        self.given_up_s = 0.0
        self._free: list[Entry] = []
        self._apart: list[Entry] = []
        self._holds = 0
        self._lock = threading.Lock()

    def begin(self, values: tuple[Any, ...]) -> int:
        """A soak begins; its number."""
        with self._lock:
            self.soak += 1
            self._add(Entry(_SOAK, (self.soak, *values, self.batch + 1)))
            return self.soak

    def add_rows(self, soak: int, rows: Rows, anchor: Anchor) -> None:
        """Readings of a soak, as one batch."""
        data = pack(rows)
        lasts_s = float(rows.t_s[-1] - rows.t_s[0])
        clocks = (anchor.boot, anchor.boot_s, anchor.wall_s, int(anchor.synchronised))
        with self._lock:
            self.batch += 1
            values = (self.batch, soak, *clocks, data, zlib.crc32(data))
            self._add(Entry(_BATCH, values, len(data), lasts_s))
            self._bound()

    def add_event(self, soak: int | None, t_s: float, wall_s: float, kind: str, data: str) -> None:
        """Something that happened."""
        with self._lock:
            self.event += 1
            self._add(Entry(_EVENT, (self.event, soak, t_s, wall_s, kind, data)))

    def finish(self, soak: int, t_s: float, verdict: str) -> None:
        """A soak has its verdict; a second one changes nothing."""
        with self._lock:
            self._add(Entry(_FINISH, (t_s, verdict, soak)))

    def _add(self, entry: Entry) -> None:
        (self._apart if self._holds else self._free).append(entry)

    def hold(self) -> None:
        """Keep apart what comes from here on."""
        with self._lock:
            self._holds += 1

    def release(self) -> bool:
        """Let go of what was kept apart; False while an outer hold goes on."""
        with self._lock:
            self._holds -= 1
            if self._holds:
                return False
            self._free += self._apart
            self._apart = []
            return True

    def free(self) -> list[Entry]:
        """What may be written now, oldest first."""
        with self._lock:
            return list(self._free)

    def written(self, entries: list[Entry]) -> None:
        """These are on disk."""
        done = {id(entry) for entry in entries}
        with self._lock:
            self._free = [entry for entry in self._free if id(entry) not in done]
            self.given_up_s = 0.0

    def lasts_s(self) -> float:
        """How long the readings last that wait, s."""
        with self._lock:
            return sum(entry.lasts_s for entry in self._free)

    def _bound(self) -> None:
        """Give up the oldest readings when too many wait; what happened is always kept."""
        size = sum(entry.size for entry in self._free)
        while size > MOST_BYTES:
            oldest = next(entry for entry in self._free if entry.size)
            self._free.remove(oldest)
            size -= oldest.size
            self.given_up_s += oldest.lasts_s
