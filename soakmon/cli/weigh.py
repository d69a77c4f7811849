"""Commands of the bench tests on the load cell: soakmon bench calibrate, daily, blank, …

Each asks for its masses, or takes them from a JSON file (--from). With --live the running service
answers what it can, such as the mass on its cell. The result is kept in the data folder, with a job
where one is named. Exit code 1: not within its limits.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.text import Text

from soakmon.app.keep_results import keep_judged
from soakmon.bench.client import Client
from soakmon.bench.taking import taken
from soakmon.cli.options import DATA, DataOption, JobOption
from soakmon.cli.service import SocketOption, client_of
from soakmon.cli.terminal import Terminal
from soakmon.config import Bench, read_bench
from soakmon.errors import InputError
from soakmon.records.opening import now
from soakmon.records.recall import recall
from soakmon.records.run_file import read_run
from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.weigh import judge
from soakmon.weigh.blank_run import blank_run
from soakmon.weigh.guided import Guided, judged
from soakmon.weigh.guides import Question
from soakmon.weigh.prompts import ask_all
from soakmon.weigh.watched import isolation_form

weigh_app = typer.Typer()
out = Terminal()

NOT_WITHIN = 1

FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FILE", help="Take the values from JSON instead of asking."),
]
BenchOption = Annotated[
    Path | None, typer.Option(metavar="TOML", help="Bench description (bench.toml).")
]
LiveOption = Annotated[
    bool, typer.Option("--live", help="Answer t: the running service reads the value.")
]


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for around a bench test."""

    bench: Path | None
    job: str | None
    data: Path
    source: Path | None = None
    live: bool = False
    socket: Path | None = None

    def described(self) -> Bench:
        """The bench."""
        return read_bench(self.bench) if self.bench is not None else Bench()


def _asks(name: str, test: str, about: str) -> None:
    """Add a command that asks for the values of one bench test, or reads them, and judges them."""

    @weigh_app.command(name, help=about)
    def command(
        source: FromOption = None,
        live: LiveOption = False,
        socket: SocketOption = None,
        bench: BenchOption = None,
        job: JobOption = None,
        data: DataOption = DATA,
    ) -> None:
        _run(test, Order(bench, job, data, source, live, socket))


_asks("calibrate", "calibration", "Calibrate the load cell with known masses, up and down.")
_asks("daily", "daily", "Check the calibrated cell with one known mass.")


@weigh_app.command("blank")
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
    order = Order(bench, job, data, source, live, socket)
    if run is None:
        _run("blank", order)
        return
    described = order.described()
    _finish(_recorded_blank(run, described.settings()), order, described)


_asks("drain", "drain", "Drain the bowls: volumes, and float levels against each other.")
_asks("shots", "shots", "Accelerator pumps: ml per stroke, and the spread from carb to carb.")
_asks("float", "float", "Weigh the floats dry and after a soak in fuel.")


@weigh_app.command("isolation")
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
    order = Order(bench, job, data, source)
    if soak is None:
        _run("isolation", order)
        return
    found = recall(data / "journal.db", soak)
    try:
        form = isolation_form(_quiet(found.rows))
        said = judged("isolation", form, found.settings, now().date())
    except ValueError as error:
        raise InputError(f"soak {soak}: {error}") from None
    _finish(said, order, found.bench)


def _quiet(rows: Rows) -> Rows:
    """Without what a bang on the bench had the gates count."""
    return without_knocks(rows, np.diff(rows.t_s, prepend=rows.t_s[:1]))[0]


def _recorded_blank(run: Path, settings: Settings) -> judge.Judged:
    rows = read_run(run)
    try:
        result = blank_run(
            settings.geometry,
            settings.fuel,
            rows.t_s,
            rows.mass_g,
            rows.air_c,
            zero_g_per_c=settings.priors.zero_g_per_c,
        )
    except ValueError as error:
        raise InputError(str(error)) from None
    return judge.told_blank(result, {"run": run.name})


def _run(test: str, order: Order) -> None:
    """Ask for the values or read them, and judge them."""
    described = order.described()
    where = str(order.source or "the answers")
    values = _read(order.source) if order.source else _asked(test, order, described.rack.carbs)
    try:
        said = judged(test, values, described.settings(), now().date())
    except ValueError as error:
        raise InputError(f"{where}: {error}") from None
    _finish(said, order, described)


def _read(source: Path) -> Any:
    try:
        return json.loads(source.read_bytes())
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"{source}: invalid JSON: {error}") from None


def _asked(test: str, order: Order, carbs: int) -> Any:
    client = client_of(order.socket) if order.live else None
    if client is not None:
        client.get("/weigh")  # says at once when no service is there

    def take(question: Question, guided: Guided) -> float:
        return _from_bench(client, question, guided)

    guided = ask_all(
        Guided(test, carbs), sys.stdin, _say, time.time, take if client is not None else None
    )
    return guided.form


def _from_bench(client: Client | None, question: Question, guided: Guided) -> float:
    if client is None or question.source is None:
        raise InputError("the bench cannot answer this")
    if question.source == "hours":
        return taken("hours", guided, {}, None)
    since_s = guided.answers[0][1] if guided.answers else time.time()
    found = client.get("/weigh", air_since_wall_s=since_s)
    return taken(question.source, guided, found, found["air_c"])


def _say(text: str) -> None:
    # Questions go where errors go, so that what is printed is the result alone.
    sys.stderr.write(text)
    sys.stderr.flush()


def _finish(said: judge.Judged, order: Order, bench: Bench) -> None:
    """Keep and show."""
    keep_judged(order.data, said, order.job, bench.service.name)
    for line in said.lines:
        out.print(Text(line), soft_wrap=True)
    if not said.passed:
        raise typer.Exit(NOT_WITHIN)
