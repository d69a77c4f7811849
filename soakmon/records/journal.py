"""The journal: everything a soak has seen, on disk before anyone is told about it.

SQLite in write-ahead mode with full sync. Rows are committed in batches of some seconds, at once
with an event. A crash at any instant loses at most the batch not yet committed; a disk that cannot
be written only makes the batch grow in memory until it can.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from soakmon.errors import InputError
from soakmon.records.packing import pack, unpack
from soakmon.records.schema import migrate
from soakmon.watch.averaging import join
from soakmon.watch.rows import Rows

# A commit costs the card two of its pages, whatever is in it: small database pages and fifteen
# seconds between commits keep a day under 50 MB.
BATCH_S = 15.0
_PAGE_BYTES = 1024
_WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class SoakEntry:
    """A soak in the journal; verdict is None while it runs (or was interrupted)."""

    id: int
    title: str
    job: str | None
    started_wall_s: float
    gates: int
    configuration: str
    ended_t_s: float | None
    verdict: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened: phase, alarm, ack, fault, command, note or verdict."""

    id: int
    soak: int | None
    t_s: float
    wall_s: float
    kind: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Anchor:
    """Ties soak time to the clocks, to bridge a restart: the last moment that was committed."""

    boot: str
    t_s: float
    boot_s: float
    wall_s: float
    synchronised: bool


class Journal:
    """One writer, any number of readers in other connections.

    `trouble` says why the last commit failed; empty while all is well. Raises InputError when the
    file cannot be opened at all.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self.connection = sqlite3.connect(path, timeout=_WAIT_S, check_same_thread=False)
            self.connection.isolation_level = None
            self.connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
            self.connection.execute("PRAGMA journal_mode = WAL")
            self.connection.execute("PRAGMA synchronous = FULL")
            self.connection.execute("PRAGMA foreign_keys = ON")
            migrate(self.connection, str(path))
        except (sqlite3.Error, OSError) as error:
            raise InputError(f"{path}: the journal cannot be opened: {error}") from None
        self.rows: list[Rows] = []
        self.events: list[tuple[int | None, float, float, str, str]] = []
        self.anchor: Anchor | None = None
        self.soak = 0
        self.trouble = ""

    def start(self, entry: SoakEntry) -> int:
        """Begin a soak; its number."""
        columns = "title, job, started_wall_s, gates, configuration, first_batch"
        values = (entry.title, entry.job, entry.started_wall_s, entry.gates, entry.configuration)
        found = self.connection.execute(
            f"INSERT INTO soak ({columns})"
            " SELECT ?, ?, ?, ?, ?, 1 + coalesce(max(id), 0) FROM batch",
            values,
        )
        self.soak = int(found.lastrowid or 0)
        return self.soak

    def add_rows(self, rows: Rows, anchor: Anchor) -> None:
        """Take rows; they are committed when a batch is full or with the next event."""
        self.rows.append(rows)
        self.anchor = anchor
        waiting_s = rows.t_s[-1] - self.rows[0].t_s[0]
        if waiting_s >= BATCH_S - 1.5:
            self.commit()

    def add_event(self, t_s: float, wall_s: float, kind: str, data: dict[str, Any]) -> None:
        """Take an event and commit it at once, with the rows before it."""
        self.events.append((self.soak or None, t_s, wall_s, kind, json.dumps(data)))
        self.commit()

    def commit(self) -> bool:
        """Put everything on disk; False, with the reason in `trouble`, keeps it for later."""
        if not self.rows and not self.events:
            return True
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            self._write()
            self.connection.execute("COMMIT")
        except sqlite3.Error as error:
            self.trouble = f"the journal cannot be written: {error}"
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            return False
        self.rows.clear()
        self.events.clear()
        self.trouble = ""
        return True

    def _write(self) -> None:
        if self.rows and self.anchor is not None:
            rows, anchor = join(self.rows), self.anchor
            self.connection.execute(
                "INSERT INTO batch (soak, boot, boot_s, wall_s, synchronised, rows)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (
                    self.soak, anchor.boot, anchor.boot_s, anchor.wall_s,
                    int(anchor.synchronised), pack(rows),
                ),
            )  # fmt: skip
        self.connection.executemany(
            "INSERT INTO event (soak, t_s, wall_s, kind, data) VALUES (?, ?, ?, ?, ?)", self.events
        )

    def finish(self, t_s: float, verdict: dict[str, Any]) -> None:
        """Close the soak with its verdict."""
        self.commit()
        self.connection.execute(
            "UPDATE soak SET ended_t_s = ?, verdict = ? WHERE id = ?",
            (t_s, json.dumps(verdict), self.soak),
        )

    def resume(self) -> tuple[SoakEntry, Anchor | None] | None:
        """The soak that was running when the journal was last written, with its anchor."""
        found = [entry for entry in self.soaks() if entry.ended_t_s is None]
        if not found:
            return None
        entry = found[-1]
        self.soak = entry.id
        row = self.connection.execute(
            "SELECT boot, boot_s, wall_s, synchronised, rows FROM batch"
            " WHERE soak = ? ORDER BY id DESC LIMIT 1",
            (entry.id,),
        ).fetchone()
        if row is None:
            return entry, None
        last_s = float(unpack(row[4], entry.gates).t_s[-1])
        return entry, Anchor(row[0], last_s, row[1], row[2], bool(row[3]))

    def soaks(self) -> list[SoakEntry]:
        """All soaks, oldest first."""
        rows = self.connection.execute(
            "SELECT id, title, job, started_wall_s, gates, configuration, ended_t_s, verdict"
            " FROM soak ORDER BY id"
        )
        return [
            SoakEntry(r[0], r[1], r[2], r[3], r[4], r[5], r[6], json.loads(r[7]) if r[7] else None)
            for r in rows
        ]

    def read_rows(self, soak: int) -> Rows | None:
        """All committed rows of a soak; None when there are none."""
        parts = list(self.batches(soak))
        return join([rows for _, rows in parts]) if parts else None

    def batches(self, soak: int, after: int = 0) -> Iterator[tuple[int, Rows]]:
        """Committed batches of a soak after a batch number, oldest first."""
        entry = self.connection.execute(
            "SELECT gates, first_batch FROM soak WHERE id = ?", (soak,)
        ).fetchone()
        if entry is None:
            return
        found = self.connection.execute(
            "SELECT id, rows FROM batch WHERE soak = ? AND id >= ? ORDER BY id",
            (soak, max(int(entry[1]), after + 1)),
        )
        for number, data in found.fetchall():
            yield int(number), unpack(data, int(entry[0]))

    def read_events(self, soak: int | None = None, after: int = 0) -> list[Event]:
        """Committed events after a number, of one soak or of all."""
        found = self.connection.execute(
            "SELECT id, soak, t_s, wall_s, kind, data FROM event"
            " WHERE id > ? AND (? IS NULL OR soak = ?) ORDER BY id",
            (after, soak, soak),
        )
        return [Event(r[0], r[1], r[2], r[3], r[4], json.loads(r[5])) for r in found]

    def check(self) -> str:
        """SQLite's own integrity check: "ok" or what is wrong."""
        return str(self.connection.execute("PRAGMA integrity_check").fetchone()[0])

    def close(self) -> None:
        """Commit what can be committed and let go of the file."""
        self.commit()
        self.connection.close()
