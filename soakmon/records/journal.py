"""The journal: everything that a soak has seen and that was said of it.

SQLite in write-ahead mode with full sync. Rows are committed in batches of some seconds, at once
with an event. A crash at any instant loses at most the batch not yet committed; a disk that cannot
be written only makes what waits grow in memory until it can.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from soakmon.errors import DamagedError, TroubleError
from soakmon.records.packing import unpack
from soakmon.records.schema import migrate
from soakmon.records.sharing import make_file
from soakmon.records.verdict_form import VerdictForm
from soakmon.records.waiting import Anchor, Waiting
from soakmon.records.writer import Writer, speaks_of_damage
from soakmon.watch.averaging import join
from soakmon.watch.rows import Rows

__all__ = ["BATCH_S", "Anchor", "Event", "Journal", "SoakEntry", "connected", "highest"]

# A commit costs the card two of its pages, whatever is in it: small database pages and fifteen
# seconds between commits keep a day under 50 MB.
BATCH_S = 15.0
_PAGE_BYTES = 1024
_WAIT_S = 5.0


def connected(path: Path) -> sqlite3.Connection:
    """A connection to a journal, as all who write into it have it."""
    make_file(path)
    connection = sqlite3.connect(path, timeout=_WAIT_S, check_same_thread=False)
    connection.isolation_level = None
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


@dataclass(frozen=True, slots=True)
class SoakEntry:
    """A soak in the journal; verdict is None while it runs (or was interrupted).

    owed: its report, and what job and bench keep of it, are still to be made.
    """

    id: int
    title: str
    job: str | None
    started_wall_s: float
    gates: int
    configuration: str
    ended_t_s: float | None
    verdict: VerdictForm | None
    owed: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened: phase, alarm, ack, fault, command, note or verdict."""

    id: int
    soak: int | None
    t_s: float
    wall_s: float
    kind: str
    data: dict[str, Any]


EVENTS = "SELECT id, soak, t_s, wall_s, kind, data FROM event"


def event_of(row: tuple[Any, ...]) -> Event:
    """An event of a row of `EVENTS`; ValueError when its text is damaged."""
    number, soak, t_s, wall_s, kind, text = row
    try:
        data = json.loads(text)
    except (TypeError, RecursionError) as error:
        raise ValueError(str(error)) from None
    if not isinstance(data, dict):
        raise ValueError("an event without its values")  # noqa: TRY004
    return Event(number, soak, t_s, wall_s, kind, data)


class Journal:
    """One writer, any number of readers in other connections.

    connect: opens the file. `trouble` says why the last commit failed, `damaged` what is broken in
    the file; both empty while all is well. Raises DamagedError for a file that is no sound journal,
    TroubleError for one that cannot be opened now, InputError for one that is not ours.
    """

    def __init__(
        self, path: Path, connect: Callable[[Path], sqlite3.Connection] = connected
    ) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            connection = connect(path)
            migrate(connection, str(path))
            numbers = [highest(connection, table) for table in ("soak", "batch", "event")]
        except (sqlite3.Error, OSError) as error:
            text = f"{path}: the journal cannot be opened: {error}"
            raise (DamagedError if speaks_of_damage(error) else TroubleError)(text) from None
        self.waiting = Waiting(*numbers)
        self.writer = Writer(lambda: connect(path), self.waiting, connection)
        self.rows: list[Rows] = []
        self.anchor: Anchor | None = None
        self.soak = 0
        self._due = False
        self._together = 0

    @property
    def connection(self) -> sqlite3.Connection:
        """The writer's own."""
        return self.writer.connection

    @property
    def trouble(self) -> str:
        """Why the last commit failed; empty while all is well."""
        return self.writer.problem()

    @property
    def damaged(self) -> str:
        """What is broken in the file, found while writing; empty while nothing is known."""
        return self.writer.damaged

    # -- writing ---------------------------------------------------------------------------------

    def run(self, ended: Callable[[BaseException], None]) -> None:
        """Write in a thread of its own from here on: nobody waits for the disk any more.

        ended: called from that thread should it ever end.
        """
        self.writer.run(ended)

    @contextmanager
    def together(self) -> Iterator[None]:
        """What is taken in here goes to disk in one transaction, when the outermost one ends."""
        self._together += 1
        self.waiting.hold()
        try:
            yield
        finally:
            self._together -= 1
            self._freeze_if_due()
            if self.waiting.release() and self._due:
                self.commit()

    def start(self, entry: SoakEntry) -> int:
        """Begin a soak; its number."""
        with self.together():
            self._freeze()
            values = (entry.title, entry.job, entry.started_wall_s, entry.gates)
            self.soak = self.waiting.begin((*values, entry.configuration))
            self._due = True
        return self.soak

    def add_rows(self, rows: Rows, anchor: Anchor) -> None:
        """Take rows; they are committed when a batch is full or with the next event."""
        self.rows.append(rows)
        self.anchor = anchor
        if rows.t_s[-1] - self.rows[0].t_s[0] >= BATCH_S - 1.5:
            self._due = True
            self._commit_alone()

    def add_event(
        self, t_s: float, wall_s: float, kind: str, data: dict[str, Any], soak: int | None = None
    ) -> None:
        """Take an event of a soak (None: the present one) and commit it with the rows before it."""
        of = (self.soak if soak is None else soak) or None
        self.waiting.add_event(of, t_s, wall_s, kind, json.dumps(data))
        self._due = True
        self._commit_alone()

    def finish(self, t_s: float, verdict: VerdictForm, soak: int | None = None) -> None:
        """Close a soak (None: the present one) with its verdict; its report is owed from now."""
        self.waiting.finish(self.soak if soak is None else soak, t_s, json.dumps(verdict.as_dict()))
        self._due = True
        self._commit_alone()

    def commit(self) -> bool:
        """Put everything on disk; False, with the reason in `trouble`, keeps it for later."""
        if not self._together:
            self._freeze()
            self._due = False
        return self.writer.commit()

    def settle(self, within_s: float = _WAIT_S) -> bool:
        """Wait until all that was taken in is on disk; False when that takes longer."""
        self._freeze()
        return self.writer.settle(within_s)

    def _commit_alone(self) -> None:
        if not self._together:
            self.commit()

    def _freeze_if_due(self) -> None:
        if not self._together and self._due:
            self._freeze()

    def _freeze(self) -> None:
        """Make a batch of the rows that were taken in."""
        rows, self.rows = self.rows, []
        if rows and self.anchor is not None:
            self.waiting.add_rows(self.soak, join(rows), self.anchor)

    def close(self) -> None:
        """Commit what can be committed and let go of the file."""
        self._freeze()
        self.writer.close()

    # -- reading ---------------------------------------------------------------------------------

    def _all(self, question: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self.writer.lock:
            return self.connection.execute(question, values).fetchall()

    def resume(self) -> tuple[SoakEntry, Anchor | None] | None:
        """The last soak with its anchor, when it has not ended; it is the present one then."""
        last = self.soaks()[-1:]
        if not last or last[0].ended_t_s is not None:
            return None
        self.soak = last[0].id
        return last[0], self.anchor_of(last[0])

    def anchor_of(self, entry: SoakEntry) -> Anchor | None:
        """The last moment of a soak that is on disk."""
        rows = self._all(
            "SELECT boot, boot_s, wall_s, synchronised, rows FROM batch"
            " WHERE soak = ? ORDER BY id DESC LIMIT 1",
            (entry.id,),
        )
        if not rows:
            return None
        boot, boot_s, wall_s, synchronised, data = rows[0]
        last_s = float(unpack(data, entry.gates).t_s[-1])
        return Anchor(boot, last_s, boot_s, wall_s, bool(synchronised))

    def soaks(self) -> list[SoakEntry]:
        """All soaks, oldest first."""
        rows = self._all(
            "SELECT id, title, job, started_wall_s, gates, configuration, ended_t_s, verdict, owed"
            " FROM soak ORDER BY id"
        )
        return [
            SoakEntry(
                *(r[0], r[1], r[2], r[3], r[4], r[5], r[6]),
                verdict=VerdictForm.model_validate_json(r[7]) if r[7] else None,
                owed=bool(r[8]),
            )
            for r in rows
        ]

    def owed(self) -> list[int]:
        """Soaks whose report, or what job and bench keep of them, is still to be made."""
        return [r[0] for r in self._all("SELECT id FROM soak WHERE owed ORDER BY id")]

    def owe(self, soak: int, *, owed: bool) -> None:
        """Note whether report and records of an ended soak are still to be made.

        Raises TroubleError when it cannot be noted.
        """
        try:
            with self.writer.lock:
                self.connection.execute(
                    "UPDATE soak SET owed = ? WHERE id = ? AND ended_t_s IS NOT NULL", (owed, soak)
                )
        except sqlite3.Error as error:
            raise TroubleError(f"{self.path}: the journal cannot be written: {error}") from None

    def read_rows(self, soak: int) -> Rows | None:
        """All committed rows of a soak; None when there are none."""
        parts = list(self.batches(soak))
        return join([rows for _, rows in parts]) if parts else None

    def batches(self, soak: int, after: int = 0) -> Iterator[tuple[int, Rows]]:
        """Committed batches of a soak after a batch number, oldest first.

        Raises DamagedError for readings that are not as they were written.
        """
        entry = self._all("SELECT gates, first_batch FROM soak WHERE id = ?", (soak,))
        if not entry:
            return
        gates, first = entry[0]
        rows = self._all(
            "SELECT id, rows, crc FROM batch WHERE soak = ? AND id >= ? ORDER BY id",
            (soak, max(int(first), after + 1)),
        )
        for number, data, crc in rows:
            if crc is not None and zlib.crc32(data) != crc:
                raise DamagedError(f"{self.path}: readings of soak {soak} are damaged")
            yield int(number), unpack(data, int(gates))

    def read_events(self, soak: int | None = None, after: int = 0) -> list[Event]:
        """Committed events after a number, of one soak or of all."""
        rows = self._all(
            f"{EVENTS} WHERE id > ? AND (? IS NULL OR soak = ?) ORDER BY id", (after, soak, soak)
        )
        return [event_of(row) for row in rows]

    def holds_alarm(self, uid: str) -> bool:
        """Whether an alarm with this mark is on disk."""
        asked = f'%"uid": "{uid}"%'
        return bool(
            self._all("SELECT 1 FROM event WHERE kind = 'alarm' AND data LIKE ? LIMIT 1", (asked,))
        )

    def check(self) -> str:
        """SQLite's own integrity check: "ok" or what is wrong."""
        return str(self._all("PRAGMA integrity_check")[0][0])


def highest(connection: sqlite3.Connection, table: str) -> int:
    """The highest number that was given in a table, also by a journal that was set aside."""
    newest, floor = connection.execute(
        f"SELECT (SELECT max(id) FROM {table}), (SELECT max({table}) FROM floor)"
    ).fetchone()
    return max(int(newest or 0), int(floor or 0))
