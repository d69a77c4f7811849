"""Commands of the bench tests on the load cell: soakmon bench calibrate, daily, blank, …

Each asks for its masses, or takes them from a JSON file (--from). The result is kept in the data
folder, with a job where one is named. Exit code 1: not within its limits.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from pydantic import ValidationError
from rich.console import Console
from rich.text import Text

from soakmon.config import read_bench
from soakmon.errors import InputError
from soakmon.options import DATA, DataOption, JobOption, now, open_records
from soakmon.records.jobs.work import add_result, find_job
from soakmon.records.run_file import read_run
from soakmon.watch.settings import Settings
from soakmon.weigh import ask, forms, judge
from soakmon.weigh.blank_run import blank_run

weigh_app = typer.Typer()
out = Console(highlight=False)

NOT_WITHIN = 1
AnyForm = TypeVar("AnyForm", bound=forms.Form)

FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FILE", help="Take the values from JSON instead of asking."),
]
BenchOption = Annotated[
    Path | None, typer.Option(metavar="TOML", help="Bench description (bench.toml).")
]


@weigh_app.command("calibrate")
def calibrate(source: FromOption = None, job: JobOption = None, data: DataOption = DATA) -> None:
    """Calibrate the load cell with known masses, up and down."""
    form = _form(forms.CalibrationForm, source, ask.calibration)
    _finish(lambda: judge.calibration(form, now().date()), job, data)


@weigh_app.command("daily")
def daily(source: FromOption = None, job: JobOption = None, data: DataOption = DATA) -> None:
    """Check the calibrated cell with one known mass."""
    form = _form(forms.DailyForm, source, ask.daily)
    _finish(lambda: judge.daily(form), job, data)


@weigh_app.command("blank")
def blank(
    source: FromOption = None,
    run: Annotated[
        Path | None, typer.Option(metavar="CSV", help="A recorded run of bottle and hose alone.")
    ] = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Blank run: what bottle and hose lose, against the expectation."""
    settings = _settings(bench)
    if run is not None:
        rows = read_run(run)

        def from_run() -> judge.Judged:
            result = blank_run(
                settings.geometry,
                settings.fuel,
                rows.t_s,
                rows.mass_g,
                rows.air_c,
                zero_g_per_c=settings.priors.zero_g_per_c,
            )
            return judge.told_blank(result, {"run": run.name})

        _finish(from_run, job, data)
        return
    form = _form(forms.BlankForm, source, ask.blank)
    _finish(lambda: judge.blank(form, settings), job, data)


@weigh_app.command("drain")
def drain(
    source: FromOption = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Drain the bowls: volumes, and float levels against each other."""
    settings = _settings(bench)
    carbs = len(settings.geometry.bowls)
    form = _form(forms.DrainForm, source, lambda asked: ask.drain(asked, carbs))
    _finish(lambda: judge.drain(form, settings), job, data)


@weigh_app.command("shots")
def shots(
    source: FromOption = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Accelerator pumps: ml per stroke, and the spread from carb to carb."""
    settings = _settings(bench)
    carbs = len(settings.geometry.bowls)
    form = _form(forms.ShotsForm, source, lambda asked: ask.shots(asked, carbs))
    _finish(lambda: judge.shots(form, settings), job, data)


@weigh_app.command("float")
def floats(
    source: FromOption = None,
    bench: BenchOption = None,
    job: JobOption = None,
    data: DataOption = DATA,
) -> None:
    """Weigh the floats dry and after a soak in fuel."""
    carbs = len(_settings(bench).geometry.bowls)
    form = _form(forms.FloatsForm, source, lambda asked: ask.floats(asked, carbs))
    _finish(lambda: judge.floats(form), job, data)


def _settings(bench: Path | None) -> Settings:
    return read_bench(bench).settings() if bench is not None else Settings()


def _form(
    model: type[AnyForm], source: Path | None, guide: Callable[[ask.Ask], dict[str, Any]]
) -> AnyForm:
    """A filled-in form from the JSON file, or from the answers to the questions."""
    try:
        if source is None:
            return model.model_validate(guide(ask.Ask(sys.stdin, _say)))
        return model.model_validate_json(source.read_bytes())
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        told = f"{source or 'the answers'}: {where + ': ' if where else ''}{first['msg'].lower()}"
        raise InputError(told) from None
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror}") from None


def _say(text: str) -> None:
    # Questions go where errors go, so that what is printed is the result alone.
    sys.stderr.write(text)
    sys.stderr.flush()


def _finish(test: Callable[[], judge.Judged], job: str | None, data: Path) -> None:
    """Judge, keep and show."""
    try:
        said = test()
    except ValueError as error:
        raise InputError(str(error)) from None
    # Through JSON: what is kept is what another desk reads.
    kept = json.loads(json.dumps(said.data, allow_nan=False))
    with open_records(data, make=job is None) as records, records.session() as session:
        found = find_job(session, job) if job is not None else None
        add_result(session, found, now(), kind=said.kind, summary=said.summary, data=kept)
    for line in said.lines:
        out.print(Text(line), soft_wrap=True)
    if not said.passed:
        raise typer.Exit(NOT_WITHIN)
