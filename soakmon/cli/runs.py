"""Commands that judge a whole run at once: rehearse, replay."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from soakmon.cli.options import (
    DATA,
    DataOption,
    JobOption,
    PaperOption,
    ReportOption,
    VerdictJsonOption,
)
from soakmon.cli.printing import terminal
from soakmon.errors import InputError
from soakmon.texts import say

if TYPE_CHECKING:
    from soakmon.app.order import Order
    from soakmon.config import Bench
    from soakmon.watch.rows import Rows
    from soakmon.watch.settings import Settings

commands = typer.Typer()

DateOption = Annotated[
    datetime | None,
    typer.Option(
        "--date", formats=["%Y-%m-%d"], help="Date of the report (default today).", metavar="DAY"
    ),
]


@commands.command()
def rehearse(
    scenario: Annotated[str, typer.Argument(help="Name of the night; see --list.")] = "gasket-weep",
    seed: Annotated[int | None, typer.Option(min=0, help="Another night of its kind.")] = None,
    hours: Annotated[float, typer.Option(min=1.0, max=96.0, help="Length of the soak.")] = 24.0,
    interval_s: Annotated[
        float, typer.Option(min=0.1, max=600.0, help="s between readings.")
    ] = 1.0,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also save the readings (CSV).")
    ] = None,
    bench: Annotated[
        Path | None,
        typer.Option(metavar="TOML", help="Bench description to judge by."),
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
    from sim.record import simulate
    from sim.scenarios import SCENARIOS
    from soakmon.app.order import ordered
    from soakmon.cli.output import bar
    from soakmon.watch.settings import DESCRIBED, Settings

    if show_list:
        _list_scenarios()
        return
    if scenario not in SCENARIOS:
        raise InputError(f"there is no scenario {scenario!r}; see: soakmon rehearse --list")
    described = _described(bench)
    order = ordered(job, data, date, paper, bench=described, invented=True)
    with bar(terminal(stderr=True), f"simulating {hours:g} h") as progress:
        night = simulate(
            SCENARIOS[scenario], seed=seed, hours=hours, interval_s=interval_s, progress=progress
        )
    if save is not None:
        _save(save, night.rows, scenario)
    # Without a description the rehearsed bench is as its scenario has it.
    settings = Settings(fuel=night.fuel, priors=DESCRIBED)
    if described is not None:
        settings = described.settings()
    settings = replace(settings, geometry=night.geometry, bowls_measured=True)
    title = say("keep.invented", summary=say("runs.rehearsal", scenario=scenario))
    _finish(night.rows, settings, title, order, as_json=as_json, report=report)


@commands.command()
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
    from soakmon.app.order import ordered
    from soakmon.records.run_file import read_run
    from soakmon.watch.phase import Phase

    if phase not in {None, str(Phase.SOAKING)}:
        raise InputError(f"--phase {phase}: the only phase that can be given is soaking")
    if criterion is not None and not 0 < criterion <= 1000:
        raise InputError(f"--criterion {criterion:g}: grams a day between 0 and 1000")
    described = _described(bench)
    rows = read_run(file, sys.stdin.buffer if str(file) == "-" else None)
    settings = _settings(described, rows.gates, file)
    if criterion is not None:
        settings = replace(settings, criterion_g_per_day=criterion)
    order = ordered(job, data, date, paper, bench=described)
    title = f"replay of {file.name}"
    _finish(rows, settings, title, order, as_json=as_json, report=report, phase=phase)


def _list_scenarios() -> None:
    from rich.text import Text

    from sim.scenarios import SCENARIOS

    for scenario in SCENARIOS.values():
        terminal().print(Text.assemble((f"{scenario.name:22}", "bold"), scenario.about))


def _described(bench: Path | None) -> Bench | None:
    from soakmon.bench_toml import read_bench

    return read_bench(bench) if bench is not None else None


def _settings(bench: Bench | None, gates: int, file: Path) -> Settings:
    """The bench's settings; without a file a default bench with a bowl for every gate."""
    from soakmon.physics.geometry import Bowl
    from soakmon.watch.settings import Settings

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
    from soakmon.records.run_file import write_run

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
    from soakmon.app.judge_run import judge_run
    from soakmon.cli.output import EXIT_CODES, bar, show_result
    from soakmon.records.verdict_form import VerdictForm

    with bar(terminal(stderr=True), "deciding") as progress:
        decision, files, about = judge_run(
            rows, settings, title, order, report=report, phase=phase, progress=progress
        )
    if as_json:
        sys.stdout.write(VerdictForm.of(decision.verdict).as_line())
    else:
        show_result(terminal(), decision, title, files, list(about.record))
    raise typer.Exit(EXIT_CODES[decision.verdict.outcome])
