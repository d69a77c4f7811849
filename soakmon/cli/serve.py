"""Commands that hold the bench's parts themselves: serve it, and check it."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli.options import SYSTEM_BENCH, data_folder
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

commands = typer.Typer()


@commands.command()
def serve(
    bench: Annotated[Path | None, typer.Option(metavar="TOML", help="bench.toml")] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="SCENARIO", help="Serve a simulated bench.")
    ] = None,
    pace: Annotated[
        float, typer.Option(min=1, max=120, help="Simulated: how many times faster than real time.")
    ] = 60.0,
    seed: Annotated[int | None, typer.Option(min=0, help="Simulated: another night.")] = None,
    data: Annotated[Path | None, typer.Option(metavar="DIR", help="Data folder.")] = None,
) -> None:
    """Run the bench service (or a simulated one, faster than real time)."""
    from soakmon.app.keep_results import records_port
    from soakmon.app.serve import serve as run_service
    from soakmon.app.simulated_bench import in_folder, simulated_parts, slower, with_page
    from soakmon.bench_toml import read_bench
    from soakmon.cli.terminal import plain_logs
    from soakmon.config import Bench

    plain_logs()
    described = read_bench(bench) if bench is not None else Bench()
    if simulated is None and bench is None:
        raise InputError(
            "give --bench bench.toml, or --simulated SCENARIO to try it without a bench"
        )
    if simulated is not None:
        described = with_page(slower(in_folder(described, data or data_folder()), pace))
        parts = simulated_parts(described, simulated, pace, seed)
        print_line(f"simulated bench {simulated}, {pace:g} times as fast as time")
    else:
        from hardware.build import build_parts

        described = in_folder(described, data) if data is not None else described
        parts = build_parts(described)
    print_line(f"listening on {described.service.socket}; stop with Ctrl-C")
    folder = Path(described.service.data_folder)
    records = records_port(folder, described, invented=simulated is not None)
    # The clock of a simulated bench begins anew with every start.
    boot = None if simulated is None else f"simulated {secrets.token_hex(8)}"
    run_service(described, parts, records, boot=boot)


@commands.command()
def check(
    bench: Annotated[Path | None, typer.Option(metavar="TOML", help="bench.toml")] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="SCENARIO", help="Check a simulated bench.")
    ] = None,
    seconds: Annotated[float, typer.Option(min=15, max=600, help="How long to listen.")] = 20.0,
) -> None:
    """Run every check that needs no hands, and say what is due. The feed stays shut."""
    from soakmon.app.check_bench import checks_of
    from soakmon.app.due_of_bench import due_of
    from soakmon.app.simulated_bench import simulated_parts
    from soakmon.bench.preflight import fit
    from soakmon.bench_toml import read_bench
    from soakmon.config import Bench
    from soakmon.records.opening import now

    if simulated is None and bench is None:
        if not SYSTEM_BENCH.exists():
            raise InputError("give --bench bench.toml, or --simulated SCENARIO")
        bench = SYSTEM_BENCH
    described = read_bench(bench) if bench is not None else Bench()
    if simulated is None and Path(described.service.socket).exists():
        raise InputError("the service holds the pins: sudo systemctl stop soakmon, check, start it")
    if simulated is not None:
        parts = simulated_parts(described, simulated, 10.0, None)
    else:
        from hardware.build import build_parts

        parts = build_parts(described)
    checks = checks_of(described, parts, seconds, invented=simulated is not None)
    for preflight in checks:
        mark = "ok" if preflight.passed else "note" if preflight.warning else "FAILED"
        print_line(f"{mark:>6}  {preflight.name}: {preflight.text}")
    if simulated is None:
        folder = Path(described.service.data_folder)
        for name, text in due_of(folder, described, now().astimezone().date()):
            print_line(f"   due  {name}: {text}", soft_wrap=True)
    raise typer.Exit(0 if fit(checks) else 3)
