"""The command line as a whole: its families, and the exit codes.

0 tight, 1 leaking, 3 not proven, 2 bad input or usage, 4 what the machine cannot do now.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from soakmon import __version__
from soakmon.cli.bench import bench_app
from soakmon.cli.capability import capability
from soakmon.cli.commission import commission
from soakmon.cli.control import add_control
from soakmon.cli.data import data_app
from soakmon.cli.fleet import fleet
from soakmon.cli.job import job_app
from soakmon.cli.page import page_app
from soakmon.cli.printing import print_line
from soakmon.cli.reach import add_reach
from soakmon.cli.report import report
from soakmon.cli.runs import rehearse, replay
from soakmon.cli.serve import check, serve
from soakmon.cli.weigh import weigh_app
from soakmon.errors import SoakmonError, TroubleError
from soakmon.extras import to_install

BAD_INPUT, TROUBLE = 2, 4

app = typer.Typer(
    help="Bench monitor for fuel-soak testing rebuilt carburettors. Not a safety device.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(bench_app, name="bench")
app.add_typer(page_app, name="page")
bench_app.add_typer(weigh_app)
app.add_typer(job_app, name="job")
app.add_typer(data_app)
for command in (capability, commission, serve, check):
    app.command()(command)
add_control(app)
app.command()(report)
add_reach(app)
app.command()(fleet)
app.command()(rehearse)
app.command()(replay)


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
