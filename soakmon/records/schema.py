"""The journal's tables, as numbered steps: a database is given the steps that it lacks."""

from __future__ import annotations

import sqlite3

from soakmon.errors import InputError

APPLICATION_ID = 0x534F414B  # "SOAK"

STEPS = (
    """
    CREATE TABLE soak (
        id INTEGER PRIMARY KEY,
        title TEXT NOT NULL,
        job TEXT,
        started_wall_s REAL NOT NULL,
        gates INTEGER NOT NULL,
        configuration TEXT NOT NULL,
        first_batch INTEGER NOT NULL,
        ended_t_s REAL,
        verdict TEXT
    );
    CREATE TABLE batch (
        id INTEGER PRIMARY KEY,
        soak INTEGER NOT NULL REFERENCES soak(id),
        boot TEXT NOT NULL,
        boot_s REAL NOT NULL,
        wall_s REAL NOT NULL,
        synchronised INTEGER NOT NULL,
        rows BLOB NOT NULL
    );
    CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        soak INTEGER REFERENCES soak(id),
        t_s REAL NOT NULL,
        wall_s REAL NOT NULL,
        kind TEXT NOT NULL,
        data TEXT NOT NULL
    );
    CREATE INDEX event_by_soak ON event(soak, id);
    """,
    """
    CREATE TABLE cursor (name TEXT PRIMARY KEY, batch INTEGER NOT NULL, event INTEGER NOT NULL);
    CREATE TABLE poison (
        id INTEGER PRIMARY KEY, outlet TEXT NOT NULL, wall_s REAL NOT NULL,
        reason TEXT NOT NULL, payload TEXT NOT NULL
    );
    """,
    "CREATE TABLE memo (outlet TEXT PRIMARY KEY, text TEXT NOT NULL);",
    "CREATE INDEX poison_by_payload ON poison(outlet, payload);",
    # owed: the report of an ended soak, and what job and bench keep of it, are still to be made.
    # crc: of the bytes of the rows, none in older batches. floor: the highest numbers that a
    # journal which was set aside may have given.
    """
    ALTER TABLE soak ADD COLUMN owed INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE batch ADD COLUMN crc INTEGER;
    CREATE TABLE floor (soak INTEGER NOT NULL, batch INTEGER NOT NULL, event INTEGER NOT NULL);
    """,
)
VERSION = len(STEPS)


def migrate(connection: sqlite3.Connection, name: str) -> None:
    """Bring a database up to this version; InputError when it is newer or not a journal."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    application = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if version > VERSION:
        raise InputError(f"{name}: was written by a newer soakmon ({version}): update first")
    if application not in {0, APPLICATION_ID}:
        raise InputError(f"{name}: is another program's database")
    for number in range(version, VERSION):
        script = f"BEGIN; {STEPS[number]} PRAGMA user_version = {number + 1}; COMMIT;"
        connection.executescript(script)
    if application != APPLICATION_ID:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
