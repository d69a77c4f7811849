"""The job records' database on a server that many benches share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli.options import DATA, DataOption
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

commands = typer.Typer(
    name="database", help="The job records on a server that benches share.", no_args_is_help=True
)


def _url(data: Path) -> str:
    from soakmon.records.opening import database_url

    url = os.environ.get("SOAKMON_OWNER_URL") or database_url(data)
    if not url:
        raise InputError(
            "no server is named: set SOAKMON_OWNER_URL=postgresql://… of the role that owns the"
            " tables; records in a data folder are brought up to date when they are opened"
        )
    return url


@commands.command("status")
def status(data: DataOption = DATA) -> None:
    """Say which version the tables have, and which this soakmon needs."""
    from soakmon.records.jobs.migrate import packaged_steps
    from soakmon.records.jobs.upkeep import versions

    needs, applied = versions(data, _url(data))
    print_line(
        f"the tables are of version {applied}, for programs that know {needs} and more;"
        f" this soakmon needs {len(packaged_steps())}"
    )


@commands.command("migrate")
def migrate_(
    contract: Annotated[
        bool,
        typer.Option("--contract", help="Also take away what older programs need: none is left."),
    ] = False,
    data: DataOption = DATA,
) -> None:
    """Bring the tables to this version, before the benches: older ones go on beside it."""
    from soakmon.records.jobs.upkeep import bring_up

    before, after, needs = bring_up(data, _url(data), contract=contract)
    print_line(
        f"the tables were of version {before} and are of {after}; programs that know {needs}"
        " and more may use them"
    )


@commands.command("share")
def share(data: DataOption = DATA) -> None:
    """Put the attachments of this data folder where all benches reach them."""
    from soakmon.records.jobs.shared_files import SharedFiles
    from soakmon.records.opening import open_records

    with open_records(data) as records:
        if not isinstance(records.files, SharedFiles):
            raise InputError(f"{data}: its records are no server's: nobody else could reach them")
        print_line(f"{records.files.share_all()} files were not there yet, and are now")
