"""Opening of the records that a data folder or a server holds."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from soakmon.errors import InputError
from soakmon.records.jobs.store import DATABASE, Records

DATABASE_VARIABLE = "SOAKMON_DATABASE"


def now() -> datetime:
    """The time of the wall clock, to the second, UTC."""
    return datetime.now(UTC).replace(microsecond=0)


def has_records(folder: Path) -> bool:
    """Whether there are records to open: in the data folder, or on a server."""
    return bool(os.environ.get(DATABASE_VARIABLE)) or (folder / DATABASE).exists()


@contextmanager
def open_records(folder: Path, *, make: bool = False) -> Iterator[Records]:
    """The records of a data folder; make: an empty one is made where there is none."""
    url = os.environ.get(DATABASE_VARIABLE) or None
    if not make and not has_records(folder):
        raise InputError(
            f"{folder}: holds no job records yet: the first job makes them (soakmon job new)"
        )
    with Records(folder, url) as records:
        yield records
