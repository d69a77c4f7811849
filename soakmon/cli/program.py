"""The command line: puts the parts together and owns the exit codes.

0 tight, 1 leaking, 3 not proven, 2 bad input or usage.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, NoReturn

import typer
from rich.text import Text

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon import __version__
from soakmon.app.keep_results import keep
from soakmon.app.soak_context import Order, begin, ordered, snapshot
from soakmon.cli.bench_questions import asked, given
from soakmon.cli.capability import capability
from soakmon.cli.data import data_app
from soakmon.cli.job import job_app
from soakmon.cli.options import (
    DATA,
    DataOption,
    JobOption,
    PaperOption,
    ReportOption,
    VerdictJsonOption,
)
from soakmon.cli.output import EXIT_CODES, bar, show_result
from soakmon.cli.page import page_app
from soakmon.cli.reach import add_reach
from soakmon.cli.report import report_soak
from soakmon.cli.service import add_commands
from soakmon.cli.terminal import Terminal
from soakmon.cli.weigh import weigh_app
from soakmon.config import Bench, example_toml, read_bench
from soakmon.errors import InputError, SoakmonError, TroubleError
from soakmon.physics.geometry import Bowl
from soakmon.records.jobs.text import inert
from soakmon.records.run_file import read_run, write_run
from soakmon.report.content import About
from soakmon.report.files import write_report
from soakmon.watch.decide import decide
from soakmon.watch.filling import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings

BAD_INPUT, TROUBLE = 2, 4

app = typer.Typer(
    help="Bench monitor for fuel-soak testing rebuilt carburettors. Not a safety device.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
bench_app = typer.Typer(
    help="The bench: its description, and tests on its load cell.", no_args_is_help=True
)
app.add_typer(bench_app, name="bench")
app.add_typer(page_app, name="page")
app.command()(capability)
bench_app.add_typer(weigh_app)
app.add_typer(job_app, name="job")
app.add_typer(data_app)

add_commands(app)
app.command("report")(report_soak)
add_reach(app)

out = Terminal()
err = Terminal(stderr=True)

DateOption = Annotated[
    datetime | None,
    typer.Option("--date", formats=["%Y-%m-%d"], help="Date of the report (today).", metavar="DAY"),
]


@app.command()
def rehearse(
    scenario: Annotated[str, typer.Argument(help="Name of the night; see --list.")] = "gasket-weep",
    seed: Annotated[int | None, typer.Option(min=0, help="Another night of its kind.")] = None,
    hours: Annotated[float, typer.Option(min=1.0, max=96.0, help="Length of the soak.")] = 24.0,
    interval_s: Annotated[float, typer.Option(min=0.1, max=600.0, help="Between readings.")] = 1.0,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also save the readings (CSV).")
    ] = None,
    bench: Annotated[
        Path | None, typer.Option(metavar="TOML", help="Take beliefs and criterion from here.")
    ] = None,
    as_json: VerdictJsonOption = False,
    report: ReportOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
    date: DateOption = None,
    paper: PaperOption = "a4",
    show_list: Annotated[bool, typer.Option("--list", help="List the scenarios.")] = False,
) -> None:
    """Run a simulated soak to its verdict."""
    if show_list:
        for one in SCENARIOS.values():
            out.print(Text.assemble((f"{one.name:22}", "bold"), one.about))
        return
    if scenario not in SCENARIOS:
        raise InputError(f"there is no scenario {scenario!r}; see: soakmon rehearse --list")
    described = read_bench(bench) if bench is not None else None
    about = About(bench_toml=_snapshot(described), invented=True)
    order = ordered(job, data, date, paper, about, bench=described)
    with bar(err, f"simulating {hours:g} h") as progress:
        night = simulate(
            SCENARIOS[scenario], seed=seed, hours=hours, interval_s=interval_s, progress=progress
        )
    if save is not None:
        _save(save, night.rows, scenario)
    # Without a description the rehearsed bench is as its scenario has it.
    settings = described.settings() if described is not None else Settings(priors=DESCRIBED)
    settings = replace(settings, geometry=night.geometry, fuel=night.fuel, bowls_measured=True)
    title = f"rehearsal of {scenario} (invented data)"
    _finish(night.rows, settings, title, order, as_json=as_json, report=report)


@app.command()
def replay(
    file: Annotated[Path, typer.Argument(help="Recorded run (CSV); - reads standard input.")],
    bench: Annotated[
        Path | None, typer.Option(metavar="TOML", help="Bench description (bench.toml).")
    ] = None,
    phase: Annotated[
        str | None, typer.Option(help="soaking: the file starts after filling.")
    ] = None,
    criterion: Annotated[
        float | None, typer.Option(metavar="G_PER_DAY", help="A rack leaking less is tight.")
    ] = None,
    as_json: VerdictJsonOption = False,
    report: ReportOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
    date: DateOption = None,
    paper: PaperOption = "a4",
) -> None:
    """Judge a recorded run."""
    if phase not in {None, str(Phase.SOAKING)}:
        raise InputError(f"--phase {phase}: the only phase that can be given is soaking")
    if criterion is not None and not 0 < criterion <= 1000:
        raise InputError(f"--criterion {criterion:g}: grams a day between 0 and 1000")
    described = read_bench(bench) if bench is not None else None
    rows = read_run(file, sys.stdin.buffer if str(file) == "-" else None)
    settings = _settings(described, rows.gates, file)
    if criterion is not None:
        settings = replace(settings, criterion_g_per_day=criterion)
    order = ordered(job, data, date, paper, About(bench_toml=_snapshot(described)), bench=described)
    title = f"replay of {file.name}"
    _finish(rows, settings, title, order, as_json=as_json, report=report, phase=phase)


def _snapshot(bench: Bench | None) -> str:
    return "" if bench is None else snapshot(bench, given=True)


def _settings(bench: Bench | None, gates: int, file: Path) -> Settings:
    """The bench's settings; without a file a default bench with a bowl for every gate."""
    if bench is None:
        settings = Settings()
        bowls = (Bowl(),) * (gates or len(settings.geometry.bowls))
        return replace(settings, geometry=replace(settings.geometry, bowls=bowls))
    if gates not in {0, bench.rack.carbs}:
        raise InputError(
            f"{file}: the header has {gates} drop columns but the bench has rack.carbs = "
            f"{bench.rack.carbs}: use the bench.toml of that run"
        )
    return bench.settings()


def _save(path: Path, rows: Rows, scenario: str) -> None:
    try:
        write_run(path, rows, (f"rehearsal of {scenario}: invented data",))
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None


def _finish(
    rows: Rows,
    settings: Settings,
    title: str,
    order: Order,
    *,
    as_json: bool,
    report: Path | None,
    phase: str | None = None,
) -> NoReturn:
    order, settings = begin(order, settings, rows.gates)
    with bar(err, "deciding") as progress:
        decision = decide(rows, settings, phase=phase, progress=progress)
    files: list[Path] = []
    if report is not None:
        files = write_report(report, rows, decision, title, order.about, paper=order.paper)
        keep(order, decision, title, files)
    elif order.job is not None:
        with TemporaryDirectory() as name:
            made = write_report(Path(name), rows, decision, title, order.about, paper=order.paper)
            keep(order, decision, title, made)
    if as_json:
        sys.stdout.write(json.dumps(decision.verdict.as_dict()) + "\n")
    else:
        show_result(out, decision, title, files, list(order.about.record))
    raise typer.Exit(EXIT_CODES[decision.verdict.outcome])


@bench_app.command("init")
def bench_init(
    file: Annotated[Path, typer.Argument(help="File to write.")] = Path("bench.toml"),
    force: Annotated[bool, typer.Option("--force", help="Replace an existing file.")] = False,
    say: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=ANSWER", help="Answer a question, as hose.kind=ordinary."),
    ] = None,
) -> None:
    """Write a commented bench.toml with every key; in a terminal a few questions come before."""
    if file.exists() and not force:
        raise InputError(f"{file}: exists already; --force replaces it")
    told = given(say) if say else asked() if sys.stdin.isatty() else {}
    try:
        part = file.with_name(file.name + ".part")
        part.write_text(example_toml(told), encoding="utf-8")
        part.replace(file)
    except OSError as error:
        raise InputError(f"{file}: cannot be written: {error.strerror}") from None
    out.print(Text(f"{file} written: measure your bench and change what differs"))


@bench_app.command("check")
def bench_check(
    file: Annotated[Path, typer.Argument(help="File to check.")] = Path("bench.toml"),
) -> None:
    """Check a bench.toml and say what it means."""
    settings = read_bench(file).settings()
    geometry = settings.geometry
    out.print(Text(f"{file} is good:"))
    out.print(Text(f"  {len(geometry.bowls)} carburettors, fuel: {settings.fuel.name}"))
    out.print(
        Text(f"  a rack that leaks less than {settings.criterion_g_per_day:g} g/day is tight")
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
            err.print(Text(inert(f"soakmon: {line}")), soft_wrap=True)
        sys.exit(TROUBLE if isinstance(error, TroubleError) else BAD_INPUT)
    except BrokenPipeError:
        # The reader went away; say nothing more on the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(BAD_INPUT)
