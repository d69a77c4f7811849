"""The command that commissions a bench."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli.options import SYSTEM_BENCH
from soakmon.errors import InputError

commands = typer.Typer()


@commands.command()
def commission(
    bench: Annotated[Path, typer.Option(metavar="TOML", help="File to write.")] = SYSTEM_BENCH,
    from_page: Annotated[
        bool, typer.Option("--from-page", help="Take over what was found and chosen on the page.")
    ] = False,
) -> None:
    """Commission the bench, step by step: find, ask, try, and write down."""
    from soakmon.cli.commissioning import Commissioning

    if os.geteuid():
        raise InputError("commissioning stops and starts the service: sudo soakmon commission")
    commissioning = Commissioning(bench)
    commissioning.from_page() if from_page else commissioning.run()
