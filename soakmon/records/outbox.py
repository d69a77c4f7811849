"""The journal as an outbox: what an outlet still has to send, by a cursor of its own.

Every outlet has its own connection. The cursor is moved after sending, so that a crash sends twice
rather than never; an outage of any length only makes the outlet lag. It moves in memory first: a
disk that cannot be written keeps nothing from being sent. Every call may raise sqlite3.Error.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from soakmon.records.journal import EVENTS, Event, event_of
from soakmon.records.packing import unpack
from soakmon.watch.rows import Rows

_WAIT_S = 0.5  # a cursor can be written later; what is to be sent must not wait for it


@dataclass(frozen=True, slots=True)
class Batch:
    """Committed rows; wall_s: wall time of the last row."""

    id: int
    soak: int
    job: str | None
    wall_s: float
    rows: Rows


@dataclass(frozen=True, slots=True)
class Cursor:
    """The last batch and the last event that have gone out."""

    batch: int
    event: int


class Outbox:
    """What one outlet has to send. A new outlet begins at the end: old soaks are not news."""

    def __init__(self, path: Path, name: str) -> None:
        self.name = name
        self.connection = sqlite3.connect(path, timeout=_WAIT_S, check_same_thread=False)
        self.connection.isolation_level = None
        # A cursor lost with the power only means that something is sent twice.
        self.connection.execute("PRAGMA synchronous = NORMAL")
        self.at: Cursor | None = None
        self.written: Cursor | None = None
        with suppress(sqlite3.Error):  # a disk that cannot be read now may be read later
            self._begin()

    @property
    def cursor(self) -> Cursor:
        """How far everything has gone out."""
        return self.at if self.at is not None else self._begin()

    def _begin(self) -> Cursor:
        row = self.connection.execute(
            "SELECT batch, event FROM cursor WHERE name = ?", (self.name,)
        ).fetchone()
        if row is not None:
            self.at = self.written = Cursor(int(row[0]), int(row[1]))
            return self.at
        ends = f"SELECT {_START.format('batch')}, {_START.format('event')}"
        row = self.connection.execute(ends).fetchone()
        self.at = Cursor(int(row[0]), int(row[1]))
        with suppress(sqlite3.Error):
            self.move()
        return self.at

    def events(self, most: int = 500) -> list[Event]:
        """The next events after the cursor, oldest first."""
        rows = self.connection.execute(
            f"{EVENTS} WHERE id > ? ORDER BY id LIMIT ?", (self.cursor.event, most)
        )
        return [_event(row) for row in rows]

    def batches(self, most: int = 100) -> list[Batch]:
        """The next batches after the cursor, oldest first."""
        rows = self.connection.execute(
            f"{_BATCH} WHERE batch.id > ? ORDER BY batch.id LIMIT ?", (self.cursor.batch, most)
        )
        return [_batch(row) for row in rows]

    def batches_of(self, soak: int, first: int = 0, last: int = 2**62) -> Iterator[Batch]:
        """Batches of a soak with numbers from first to last, oldest first."""
        rows = self.connection.execute(
            f"{_BATCH} WHERE soak = ? AND batch.id BETWEEN ? AND ? ORDER BY batch.id",
            (soak, first, last),
        )
        return (_batch(row) for row in rows.fetchall())

    def events_of(self, soak: int) -> list[Event]:
        """All events of a soak, oldest first."""
        rows = self.connection.execute(f"{EVENTS} WHERE soak = ? ORDER BY id", (soak,))
        return [_event(row) for row in rows]

    def soak(self, number: int | None) -> tuple[str, str | None]:
        """Title and job of a soak."""
        row = self.connection.execute(
            "SELECT title, job FROM soak WHERE id = ?", (number,)
        ).fetchone()
        return ("", None) if row is None else (str(row[0]), row[1])

    def soaks_of(self, name: str) -> list[int]:
        """Numbers of the soaks of a job, or the soak of this number."""
        rows = self.connection.execute(
            "SELECT id FROM soak WHERE job = ? OR CAST(id AS TEXT) = ? ORDER BY id", (name, name)
        )
        return [int(row[0]) for row in rows]

    def events_waiting(self) -> int:
        """Events that have not gone out."""
        counted = self.connection.execute(
            "SELECT count(*) FROM event WHERE id > ?", (self.cursor.event,)
        )
        return int(counted.fetchone()[0])

    def batches_waiting(self) -> int:
        """Batches that have not gone out."""
        counted = self.connection.execute(
            "SELECT count(*) FROM batch WHERE id > ?", (self.cursor.batch,)
        )
        return int(counted.fetchone()[0])

    def waiting_since_wall_s(self, *, batches: bool = True) -> float | None:
        """Wall time of the oldest entry that has not gone out, s; None when all have."""
        tables = (("event", self.cursor.event), ("batch", self.cursor.batch))
        times = [
            self.connection.execute(
                f"SELECT wall_s FROM {table} WHERE id > ? ORDER BY id LIMIT 1", (after,)
            ).fetchone()
            for table, after in (tables if batches else tables[:1])
        ]
        return min((float(row[0]) for row in times if row is not None), default=None)

    def passed(self, *, batch: int | None = None, event: int | None = None) -> None:
        """Everything up to here has gone out; not written down yet."""
        self.at = Cursor(
            self.cursor.batch if batch is None else batch,
            self.cursor.event if event is None else event,
        )

    def move(self, *, batch: int | None = None, event: int | None = None) -> None:
        """Everything up to here has gone out: set the cursor, in memory and then on disk."""
        self.passed(batch=batch, event=event)
        now = self.cursor
        self.connection.execute(
            "INSERT INTO cursor (name, batch, event) VALUES (?, ?, ?)"
            " ON CONFLICT(name) DO UPDATE SET batch = excluded.batch, event = excluded.event",
            (self.name, now.batch, now.event),
        )
        self.written = now

    def park(self, wall_s: float, reason: str, payload: str) -> bool:
        """Put aside what the other side refuses for good; False when it lies there already."""
        rows = self.connection.execute(
            "INSERT INTO poison (outlet, wall_s, reason, payload) SELECT ?, ?, ?, ?"
            " WHERE NOT EXISTS (SELECT 1 FROM poison WHERE outlet = ? AND payload = ?)",
            (self.name, wall_s, reason, payload, self.name, payload),
        )
        return rows.rowcount > 0

    def memo(self) -> dict[str, Any]:
        """What the outlet has noted for itself."""
        row = self.connection.execute(
            "SELECT text FROM memo WHERE outlet = ?", (self.name,)
        ).fetchone()
        return json.loads(row[0]) if row is not None else {}

    def note(self, memo: dict[str, Any]) -> None:
        """Note something for later, also after a restart."""
        self.connection.execute(
            "INSERT INTO memo (outlet, text) VALUES (?, ?)"
            " ON CONFLICT(outlet) DO UPDATE SET text = excluded.text",
            (self.name, json.dumps(memo)),
        )

    @contextmanager
    def together(self) -> Iterator[None]:
        """All or nothing: cursor and memo change in one transaction."""
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.connection.execute("COMMIT")
        except BaseException:
            if self.connection.in_transaction:  # a full disk may have rolled back by itself
                self.connection.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()


# The end; but where a damaged journal was set aside the cursor may have been lost with it, and then
# the soak that was running is told anew: twice rather than never.
_START = (
    "(SELECT coalesce((SELECT min({0}.id) - 1 FROM {0} JOIN soak ON soak.id = {0}.soak"
    " WHERE (ended_t_s IS NULL OR owed) AND EXISTS (SELECT 1 FROM floor)), max(id), 0) FROM {0})"
)
_COLUMNS = "batch.id, soak, soak.job, wall_s, rows, gates"
_BATCH = f"SELECT {_COLUMNS} FROM batch JOIN soak ON soak.id = batch.soak"


def _event(row: tuple[Any, ...]) -> Event:
    """An event; one whose text is damaged has a kind that nobody knows, and is passed over."""
    try:
        return event_of(row)
    except ValueError:
        return Event(row[0], row[1], row[2], row[3], "damaged", {})


def _batch(row: tuple[Any, ...]) -> Batch:
    return Batch(int(row[0]), int(row[1]), row[2], float(row[3]), unpack(row[4], int(row[5])))
