"""A damaged journal: found, set aside and kept, and a new one begun with what can be read of it.

Every step may be the last before the power goes: the file is moved first, and as long as no journal
lies at its place the next start goes on from there.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from soakmon.errors import DamagedError, TroubleError
from soakmon.records.journal import Journal, highest
from soakmon.records.packing import unpack

Row = dict[str, Any]
log = logging.getLogger(__name__)
MARK = ".damaged-"
# What is read in some seconds from a slow card: larger journals are not checked whole at a start.
_WHOLE_BYTES = 100_000_000
# Numbers of events and batches that could not be read, and were given: fewer than these.
_BEYOND, _MAY_BE_LOST = 1_000_000_000, 10_000_000
_SMALL = ("soak", "event", "cursor", "memo", "poison", "floor")


@dataclass(frozen=True, slots=True)
class Opened:
    """A journal that is sound; aside: where the damaged one before it lies, and what it had."""

    journal: Journal
    aside: Path | None = None
    why: str = ""


def open_journal(path: Path, wall_s: float) -> Opened:
    """The journal at a path, checked; a damaged one is set aside and a new one begun.

    wall_s: now, s since 1970. Raises TroubleError when it cannot be opened now, InputError when it
    is not ours.
    """
    try:
        return _opened(path, wall_s)
    except (sqlite3.Error, OSError) as error:
        raise TroubleError(f"{path}: the journal cannot be opened: {error}") from None


def _opened(path: Path, wall_s: float) -> Opened:
    _after_a_crash(path)
    why = "it was being set aside when the power went"
    if path.exists() or not _asides(path):
        try:
            return Opened(_sound(path))
        except DamagedError as error:
            why = str(error)
            set_aside(path, wall_s)
    aside = _asides(path)[-1]
    log.error("the journal is damaged (%s): it is kept as %s", why, aside)
    _begin_anew(path, aside)
    return Opened(Journal(path), aside, why)


def _sound(path: Path) -> Journal:
    journal = Journal(path)
    try:
        why = fault_in(journal)
    except sqlite3.Error as error:
        # Opened a moment ago, and nobody else is here: what cannot be read now is damaged.
        why = str(error)
    except (DamagedError, ValueError) as error:
        why = str(error)
    if not why:
        return journal
    with suppress(sqlite3.Error):
        journal.close()
    raise DamagedError(f"{path}: {why}")


def fault_in(journal: Journal) -> str:
    """What is broken in a journal, or "": the whole of a small one, of a large one what is needed.

    That is all but the readings of soaks that have ended, which are checked when they are read.
    Raises sqlite3.Error, DamagedError or ValueError where the damage shows in that way.
    """
    whole = journal.path.stat().st_size <= _WHOLE_BYTES
    for part in ("",) if whole else (f"({table})" for table in _SMALL):
        (answer,) = journal.connection.execute(f"PRAGMA integrity_check{part}").fetchone()
        if answer != "ok":
            return str(answer).splitlines()[-1]
    for (data,) in journal.connection.execute("SELECT data FROM event"):
        json.loads(data)
    for entry in journal.soaks():
        if entry.ended_t_s is None:
            for _ in journal.batches(entry.id):
                pass
    return ""


def _asides(path: Path) -> list[Path]:
    """The journals that were set aside, the last one last."""
    files = path.parent.glob(f"{path.name}{MARK}*")
    return sorted(
        (file for file in files if _number(file) is not None), key=lambda p: _number(p) or 0
    )


def _number(aside: Path) -> int | None:
    text = aside.name.rpartition(MARK)[2]
    return int(text) if text.isascii() and text.isdigit() else None


def _next_aside(path: Path, wall_s: float) -> Path:
    """A place of its own, also when the clock does not know what time it is."""
    asides = _asides(path)
    last = _number(asides[-1]) if asides else None
    return path.with_name(f"{path.name}{MARK}{max(int(wall_s), (last or 0) + 1)}")


def set_aside(path: Path, wall_s: float) -> None:
    """Put a damaged journal out of the way, at wall time in s: the next start begins a new one.

    Move the file first, then its log, which belongs to it and to no other.
    """
    path.rename(_next_aside(path, wall_s))
    _after_a_crash(path)


def _after_a_crash(path: Path) -> None:
    """A log without its journal belongs to the one that was set aside; no new one may read it."""
    if path.exists():
        return
    log_file, shared = path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")
    shared.unlink(missing_ok=True)
    asides = _asides(path)
    if log_file.exists():
        last = asides[-1] if asides else path.with_name(f"{path.name}{MARK}0")
        log_file.rename(last.with_name(f"{last.name}-wal"))


def _begin_anew(path: Path, aside: Path) -> None:
    """A new journal beside the place, with what can be read of the old one, then put there."""
    part = path.with_name(f"{path.name}.part")
    for left in path.parent.glob(f"{part.name}*"):
        left.unlink()
    with closing(Journal(part)) as journal:
        soaks = _salvage(aside, journal.connection)
        soaks = max([soaks, *_reported(path.parent), *_spoken_of(journal.connection)])
        events, batches = (
            max(_BEYOND, read + _MAY_BE_LOST)
            for read in (highest(journal.connection, "event"), highest(journal.connection, "batch"))
        )
        floor = (soaks, batches, events)
        journal.connection.execute("INSERT INTO floor VALUES (?, ?, ?)", floor)
        journal.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    part.rename(path)


def _reported(folder: Path) -> list[int]:
    """Numbers of the soaks that have a report: they are not given again."""
    names = [report.name.removeprefix("soak-") for report in folder.glob("reports/soak-*")]
    return [int(name) for name in names if name.isascii() and name.isdigit()]


def _spoken_of(connection: sqlite3.Connection) -> list[int]:
    """Numbers of soaks that are lost themselves, but not all that belongs to them."""
    names = [
        connection.execute(f"SELECT max(soak) FROM {table}").fetchone()
        for table in ("event", "batch")
    ]
    return [int(number) for (number,) in names if number is not None]


def _salvage(aside: Path, into: sqlite3.Connection) -> int:
    """Copy what can be read; the highest number of a soak.

    Of soaks that have ended and whose report is made, the readings stay where they are.
    """
    highest = 0
    needed: list[tuple[int, int]] = []
    into.execute("PRAGMA foreign_keys = OFF")
    with closing(sqlite3.connect(f"{aside.absolute().as_uri()}?mode=ro", uri=True)) as old:
        into.execute("BEGIN")
        for table in _SMALL:
            for row in _readable(old, table):
                if not _makes_sense(row):
                    continue
                _put(into, table, row)
                if table == "soak":
                    highest = max(highest, row["id"])
                    if row["ended_t_s"] is None or row.get("owed"):
                        needed.append((row["id"], row["gates"]))
        for soak, gates in needed:
            for row in _readable(old, "batch", f"WHERE soak = {soak}"):
                if _is_whole(row, gates):
                    _put(into, "batch", row)
        into.execute("COMMIT")
    return highest


def _readable(old: sqlite3.Connection, table: str, where: str = "") -> Iterator[Row]:
    """Rows from the first one up to the damage, then from the last one down to it."""
    seen: set[int] = set()
    for order in ("ASC", "DESC"):
        question = f"SELECT rowid AS _row, * FROM {table} {where} ORDER BY rowid {order}"
        try:
            rows = old.execute(question)
            names = [column[0] for column in rows.description]
            for values in rows:
                row = dict(zip(names, values, strict=True))
                number = row.pop("_row")
                if number not in seen:
                    seen.add(number)
                    yield row
        except sqlite3.Error as error:
            log.warning("%s cannot be read to its end: %s", table, error)
        else:
            return


def _makes_sense(row: Row) -> bool:
    """Whether what should be JSON is."""
    try:
        for name in ("data", "verdict", "configuration"):
            if row.get(name) is not None:
                json.loads(row[name])
    except (ValueError, TypeError):
        return False
    return True


def _is_whole(row: Row, gates: int) -> bool:
    try:
        unpack(row["rows"], gates)
    except (ValueError, TypeError):
        return False
    return row.get("crc") is None or zlib.crc32(row["rows"]) == row["crc"]


def _put(into: sqlite3.Connection, table: str, row: Row) -> None:
    marks = ", ".join("?" * len(row))
    with suppress(sqlite3.Error):  # a row that no journal could hold is damage
        into.execute(
            f"INSERT OR IGNORE INTO {table} ({', '.join(row)}) VALUES ({marks})", [*row.values()]
        )
