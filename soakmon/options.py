"""Options that several commands share, and the opening of the records they name."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from soakmon.errors import InputError
from soakmon.records.jobs.store import DATABASE, Records

DATABASE_VARIABLE = "SOAKMON_DATABASE"
DATA = Path("soakmon-data")

DataOption = Annotated[
    Path, typer.Option("--data", metavar="DIR", envvar="SOAKMON_DATA", help="The data folder.")
]
JobOption = Annotated[
    str | None, typer.Option("--job", metavar="NUMBER", help="Keep the result with this job.")
]
VerdictJsonOption = Annotated[bool, typer.Option("--json", help="Print the verdict as JSON only.")]
ReportOption = Annotated[
    Path | None, typer.Option("--report", metavar="DIR", help="Write report and picture here.")
]
PaperOption = Annotated[str, typer.Option(help="Paper of report.pdf: a4 or letter.")]


def now() -> datetime:
    """The time of the wall clock, to the second, UTC."""
    return datetime.now(UTC).replace(microsecond=0)


def user_name() -> str:
    """The operating system's name of whoever runs the command; empty where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a number without a name, as in containers; by Python's version
        return ""


def has_records(folder: Path) -> bool:
    """Whether there are records to open: in the data folder, or on a server."""
    return bool(os.environ.get(DATABASE_VARIABLE)) or (folder / DATABASE).exists()


@contextmanager
def open_records(folder: Path, *, make: bool = False) -> Iterator[Records]:
    """The records of a data folder; make: an empty one is made where there is none."""
    url = os.environ.get(DATABASE_VARIABLE) or None
    if not make and not has_records(folder):
        raise InputError(
            f"{folder}: holds no records: give --data DIR, or begin with: soakmon job new"
        )
    with Records(folder, url) as records:
        yield records
