"""The command that commissions a bench."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli.options import SYSTEM_BENCH
from soakmon.errors import InputError


def commission(
    bench: Annotated[Path, typer.Option(metavar="TOML", help="File to write.")] = SYSTEM_BENCH,
) -> None:
    """Commission the bench, step by step: find, ask, try, and write down."""
    from soakmon.cli.commissioning import Commissioning

    if os.geteuid():
        raise InputError("commissioning stops and starts the service: sudo soakmon commission")
    Commissioning(bench).run()
