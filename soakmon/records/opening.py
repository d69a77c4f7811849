"""Opening of the records that a data folder or a server holds."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from soakmon.errors import InputError
from soakmon.records.jobs.server import PATIENCE_S
from soakmon.records.jobs.store import DATABASE, Records
from soakmon.toml_text import read_text

DATABASE_VARIABLE = "SOAKMON_DATABASE"
DATABASE_FILE = "database.url"


def now() -> datetime:
    """The time of the wall clock, to the second, UTC."""
    return datetime.now(UTC).replace(microsecond=0)


def database_url(folder: Path) -> str | None:
    """Where the records are: by the environment, else by a file in the data folder, which a bench
    that was enrolled has; None: in the folder itself.
    """
    if DATABASE_VARIABLE in os.environ:
        return os.environ[DATABASE_VARIABLE] or None
    file = folder / DATABASE_FILE
    return read_text(file).strip() or None if file.exists() else None


def has_records(folder: Path) -> bool:
    """Whether there are records to open: in the data folder, or on a server."""
    return bool(database_url(folder)) or (folder / DATABASE).exists()


@contextmanager
def open_records(
    folder: Path, *, make: bool = False, patience_s: float = PATIENCE_S
) -> Iterator[Records]:
    """The records of a data folder; make: an empty one is made where there is none.

    patience_s: how long a server that is full is asked again.
    """
    url = database_url(folder)
    if not make and not has_records(folder):
        raise InputError(
            f"{folder}: holds no job records yet: the first job makes them (soakmon job new)"
        )
    with Records(folder, url, patience_s=patience_s) as records:
        yield records
