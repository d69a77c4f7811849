"""Commands of the bench tests on the load cell: soakmon bench calibrate, daily, blank, …

Each asks for its masses, or takes them from a JSON file (--from). With --live the running service
answers what it can, such as the mass on its cell. The result is kept in the data folder, with a job
where one is named. Exit code 1: not within its limits.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon.cli.connection import SocketOption, client_of
from soakmon.cli.options import DATA, DataOption, JobOption
from soakmon.cli.printing import print_line

if TYPE_CHECKING:
    from soakmon.weigh.result import BenchTestResult

commands = typer.Typer()

NOT_WITHIN = 1

FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FILE", help="Take the values from JSON instead of asking."),
]
BenchOption = Annotated[
    Path | None, typer.Option(metavar="TOML", help="Bench description (bench.toml).")
]
LiveOption = Annotated[
    bool, typer.Option("--live", help="Answer t to have the running service read the value.")
]


def _asks(name: str, test: str, about: str) -> None:
    """Add a command that asks for the values of one bench test, or reads them, and judges them."""

    @commands.command(name, help=about)
    def command(
        source: FromOption = None,
        live: LiveOption = False,
        socket: SocketOption = None,
        bench: BenchOption = None,
        job: JobOption = None,
        data: DataOption = DATA,
    ) -> None:
        from soakmon.app.bench_tests import BenchTestOrder, run_test

        client = client_of(socket) if live else None
        _show(run_test(test, BenchTestOrder(bench, job, data, source, client)))


_asks("calibrate", "calibration", "Calibrate the load cell with known masses, up and down.")
_asks("straw", "straw", "Touch each gate with a straw: right gate, one count, width.")
_asks("still", "still", "Leave the bench alone: noise, swing and drift of the cell.")
_asks("drip", "drip", "A known leak into a gate: what this bench finds of it.")
_asks("daily", "daily", "Check the calibrated cell with one known mass.")


@commands.command("blank")
def blank(
    source: FromOption = None,
    run: Annotated[
        Path | None, typer.Option(metavar="CSV", help="A recorded run of bottle and hose alone.")
    ] = None,
    live: LiveOption = False,
    socket: SocketOption = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Blank run: what bottle and hose lose, against the expectation."""
    from soakmon.app.bench_tests import BenchTestOrder, run_recorded_blank, run_test

    order = BenchTestOrder(bench, job, data, source, client_of(socket) if live else None)
    _show(run_test("blank", order) if run is None else run_recorded_blank(run, order))


_asks("drain", "drain", "Drain the bowls: volumes, and float levels against each other.")
_asks("shots", "shots", "Accelerator pumps: ml per stroke, and the spread from carb to carb.")
_asks("float", "float", "Weigh the floats dry and after a soak in fuel.")


@commands.command("isolation")
def isolation(
    source: FromOption = None,
    soak: Annotated[
        int | None, typer.Option(help="A soak of the journal in which the feed was shut.")
    ] = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Feed-off isolation: which drops go on with the feed shut."""
    from soakmon.app.bench_tests import BenchTestOrder, run_soak_isolation, run_test

    order = BenchTestOrder(bench, job, data, source)
    _show(run_test("isolation", order) if soak is None else run_soak_isolation(soak, order))


def _show(result: BenchTestResult) -> None:
    for line in result.lines:
        print_line(line, soft_wrap=True)
    if not result.passed:
        raise typer.Exit(NOT_WITHIN)
