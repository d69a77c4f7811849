"""Options that several commands share."""

from __future__ import annotations

import getpass
import os
from pathlib import Path
from typing import Annotated

import typer

DATA = Path("soakmon-data")
SYSTEM_BENCH = Path("/etc/soakmon/bench.toml")

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


def data_folder() -> Path:
    """The data folder where no option says another."""
    return Path(os.environ.get("SOAKMON_DATA") or DATA)


def user_name() -> str:
    """The operating system's name of whoever runs the command; empty where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a number without a name, as in containers; by Python's version
        return ""
