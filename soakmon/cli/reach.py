"""Commands of what leaves the bench: doctor, lookout, alert test, influx backfill."""

from __future__ import annotations

import json
import logging
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from soakmon.cli.connection import SocketOption, client_of
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

NOT_WELL = 3
_TEST_ANSWERS_S = 30.0

commands = typer.Typer()
alert_app = typer.Typer(help="Messages to the phone.", no_args_is_help=True)
influx_app = typer.Typer(help="The time-series database.", no_args_is_help=True)
commands.add_typer(alert_app, name="alert")
commands.add_typer(influx_app, name="influx")

BenchOption = Annotated[Path, typer.Option("--bench", metavar="TOML", help="bench.toml")]


@commands.command()
def doctor(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON only.")] = False,
    socket: SocketOption = None,
) -> None:
    """Show how the bench and its outlets are doing; exit code 3 when something is wrong."""
    client = client_of(socket)
    health, status = client.get("/health"), client.status()
    troubles = [
        f"{name}: {text}"
        for name, text in (
            ("cell", status.cell_trouble),
            ("journal", status.journal_trouble),
            ("guard", status.guard_trouble),
        )
        if text
    ]
    if as_json:
        sys.stdout.write(json.dumps({"outlets": health, "troubles": troubles}) + "\n")
    else:
        print_line(f"bench {status.bench}: {status.phase}")
        for line in [*(_line(outlet) for outlet in health), *(f"trouble  {t}" for t in troubles)]:
            print_line(line, soft_wrap=True)
    bad = troubles or any(outlet["state"] == "down" for outlet in health)
    raise typer.Exit(NOT_WELL if bad else 0)


def _line(health: dict[str, Any]) -> str:
    line = f"{health['name']:8} {health['state']:8}"
    if health["state"] == "off":
        warning = " nobody is told of an alarm" if health["name"] == "phone" else ""
        return (line + warning).rstrip()
    line += f" since {_clock(health['since_wall_s'])}, {health['lag']} waiting"
    if health["waiting_since_wall_s"] is not None:
        line += f", the oldest from {_clock(health['waiting_since_wall_s'])}"
    if health["name"] == "phone" and health["last_sent_wall_s"] is None:
        line += ", no message sent since the start"
    if health["last_sent_wall_s"] is not None:
        line += f", last message sent at {_clock(health['last_sent_wall_s'])}"
    if health["parked"]:
        line += f", {health['parked']} put aside"
    if health["restarts"]:
        line += f", restarted {health['restarts']} times"
    if health["last_error"]:
        line += f"; last error: {health['last_error']}"
    return line


def _clock(wall_s: float) -> str:
    return f"{datetime.fromtimestamp(wall_s).astimezone():%H:%M:%S on %d %b}"


@commands.command()
def lookout(bench: BenchOption = Path("bench.toml")) -> None:
    """Watch benches from another machine and tell the phone when one falls silent."""
    import asyncio

    from soakmon.app.leaving import until_leave
    from soakmon.bench_toml import read_bench
    from soakmon.cli.terminal import plain_logs
    from soakmon.reach.lookout import Lookout

    described = read_bench(bench)
    if not described.mqtt.enabled:
        text = "[mqtt] is off: a lookout hears of benches only through their broker"
        raise InputError(f"{bench}: {text}")
    plain_logs(logging.INFO, "%(asctime)s %(message)s")
    watching = Lookout(described)
    broker = described.mqtt
    print_line(f"watching the benches on {broker.host}:{broker.port}; stop with Ctrl-C")
    asyncio.run(until_leave(watching.run()))


@alert_app.command("test")
def alert_test(bench: BenchOption = Path("bench.toml")) -> None:
    """Send one message of each kind to every address; exit code 3 when one fails."""
    from soakmon.app.alert_trial import send_trials
    from soakmon.bench_toml import read_bench

    count, failures = send_trials(read_bench(bench), _TEST_ANSWERS_S)
    for name, why in failures.items():
        if why:
            print_line(f"FAILED  {why}", soft_wrap=True)
        else:
            print_line(f"    ok  {name}: {count} messages")
    raise typer.Exit(NOT_WELL if any(failures.values()) else 0)


@influx_app.command("backfill")
def influx_backfill(
    name: Annotated[str, typer.Argument(metavar="SOAK_OR_JOB", help="Number of a soak, or a job.")],
    bench: BenchOption = Path("bench.toml"),
    data: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Data folder; else that of bench.toml.")
    ] = None,
) -> None:
    """Write all points of a soak, or of a job's soaks, again, over those already there."""
    from soakmon.bench_toml import read_bench
    from soakmon.reach.influx import InfluxWriter
    from soakmon.reach.influx_outlet import backfill
    from soakmon.reach.supervise import ReachError

    described = read_bench(bench)
    folder = data or Path(described.service.data_folder)
    writer = InfluxWriter(described.influx)
    try:
        summary = backfill(
            described.service.address, described.influx, folder / "journal.db", name, writer
        )
    except ReachError as error:
        raise InputError(f"{error}; try again: what is there is overwritten") from None
    finally:
        writer.close()
    soaks = ", ".join(map(str, summary["soaks"]))
    print_line(f"soaks {soaks}: {summary['points']} points written")
    for reason in sorted(set(summary["refused"])):
        print_line(f"refused: {reason}", soft_wrap=True)
    raise typer.Exit(NOT_WELL if summary["refused"] else 0)


@influx_app.command("dashboard")
def influx_dashboard(
    bench: BenchOption = Path("bench.toml"),
    hall: Annotated[
        bool, typer.Option("--hall", help="Of all benches (MetricsQL), for the rules.")
    ] = False,
) -> None:
    """Print a dashboard definition (JSON) to import into what draws the points."""
    from soakmon.bench_toml import read_bench
    from soakmon.reach.dashboard import dashboard
    from soakmon.reach.hall_board import hall_dashboard

    board = hall_dashboard() if hall else dashboard(read_bench(bench).influx)
    sys.stdout.write(json.dumps(board, indent=2) + "\n")


@influx_app.command("rules")
def influx_rules() -> None:
    """Print recording rules for many benches, for vmalert or Prometheus."""
    from soakmon.reach.hall_board import rules

    sys.stdout.write(json.dumps(rules(), indent=2) + "\n")
