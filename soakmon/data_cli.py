"""Commands for the data folder as a whole: soakmon backup, soakmon restore."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from soakmon.options import DATA, DataOption
from soakmon.records.backup import backup, restore

data_app = typer.Typer()
out = Console(highlight=False)


@data_app.command("backup")
def backup_(
    file: Annotated[Path, typer.Argument(help="File to write, .tar.gz.")],
    data: DataOption = DATA,
) -> None:
    """Back up the data folder, while it is in use."""
    out.print(Text(f"{file}: {backup(data, file)} files of {data}"))


@data_app.command("restore")
def restore_(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    data: DataOption = DATA,
) -> None:
    """Restore a backup into a data folder that is empty or not there."""
    out.print(Text(f"{data}: {restore(file, data)} files restored"))
