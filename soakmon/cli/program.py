"""The command line as a whole: its families, and the exit codes.

0 tight, 1 leaking, 3 not proven, 2 bad input or usage, 4 what the machine cannot do now.
"""

from __future__ import annotations

import os
import sys
from functools import cache
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from soakmon import __version__
from soakmon.cli.printing import print_line
from soakmon.errors import SoakmonError, TroubleError
from soakmon.extras import to_install

BAD_INPUT, TROUBLE = 2, 4

# Which module has a command or a family of them, in the order in which help lists them. A module is
# imported, and its commands are built, when one of them is asked for: all 57 take longer than
# interpreter and typer together.
_MODULES = {
    "capability": "capability",
    "commission": "commission",
    "serve": "serve",
    "check": "serve",
    **dict.fromkeys(("start", "status", "ack", "isolate", "feed", "end", "weigh"), "control"),
    "report": "report",
    "learnt": "learnt",
    "doctor": "reach",
    "lookout": "reach",
    "fleet": "fleet",
    "rehearse": "runs",
    "replay": "runs",
    "bench": "bench",
    "page": "page",
    "job": "job",
    "backup": "data",
    "restore": "data",
    "alert": "reach",
    "influx": "reach",
    "enrol": "enrol",
    "database": "database",
}


@cache
def _commands_of(module: str) -> dict[str, Any]:
    """The built commands of a module, by name; it says in `commands` what they are."""
    family = typer.Typer(rich_markup_mode=None)
    family.add_typer(import_module(f"soakmon.cli.{module}").commands)
    return dict(typer.main.get_group(family).commands)


class _Families(TyperGroup):
    """The commands of all modules, each loaded when it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(_MODULES)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        return _commands_of(_MODULES[cmd_name])[cmd_name] if cmd_name in _MODULES else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        if args[0] not in _MODULES:
            # What a mistyped name may have meant is looked for here.
            self.commands = {name: self.get_command(ctx, name) for name in _MODULES}
        return super().resolve_command(ctx, args)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        # The flags --help, --install-completion and --show-completion have no default, and typer
        # imports pydantic to find that nothing is no value; off is off.
        for option in self.get_params(ctx):
            option.default = False if option.default is None else option.default
        return super().parse_args(ctx, args)


app = typer.Typer(
    cls=_Families,
    help="Bench monitor for fuel-soak testing rebuilt carburettors. Not a safety device.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"soakmon {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def run() -> None:
    """Entry point: errors are one line; exit code 2 for what a person must mend, else 4."""
    try:
        app()
    except SoakmonError as error:
        for line in str(error).splitlines():
            print_line(f"soakmon: {line}", soft_wrap=True, stderr=True)
        sys.exit(TROUBLE if isinstance(error, TroubleError) else BAD_INPUT)
    except ModuleNotFoundError as error:
        print_line(f"soakmon: {to_install(error)}", soft_wrap=True, stderr=True)
        sys.exit(BAD_INPUT)
    except BrokenPipeError:
        # The reader went away; say nothing more on the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(BAD_INPUT)
