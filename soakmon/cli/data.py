"""Commands for the data folder as a whole: soakmon backup, soakmon restore."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli.options import DATA, DataOption
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

commands = typer.Typer()


@commands.command("backup")
def backup_(
    file: Annotated[Path, typer.Argument(help="File to write, .tar.gz.")],
    data: DataOption = DATA,
) -> None:
    """Back up the data folder, while it is in use."""
    from soakmon.records.backup import backup
    from soakmon.records.opening import DATABASE_FILE, DATABASE_VARIABLE, database_url

    if database_url(data):
        raise InputError(
            f"{DATABASE_VARIABLE} or {DATABASE_FILE} names a server: back that server up with its"
            " own tools (pg_dump), which take records and attachments"
        )
    count = backup(data, file)
    print_line(f"{file}: {count} {'file' if count == 1 else 'files'} of {data}")
    print_line("the page's accounts, tokens and links are not among them")


@commands.command("restore")
def restore_(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    data: DataOption = DATA,
) -> None:
    """Restore a backup into a data folder that is new or has no records."""
    from soakmon.records.backup import restore

    print_line(f"{data}: {restore(file, data)} files restored")
    print_line(
        "who may use the page is as it was here before: backups bring back no accounts, "
        "tokens or links; without any the service shows a code for the first one"
    )
