"""The command `soakmon capability`: blind nights over all cores, resumable, told as a table."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon import __version__
from soakmon.cli.options import DATA, DataOption
from soakmon.cli.printing import print_line, terminal

if TYPE_CHECKING:
    from soakmon.capability.evaluate import Result

commands = typer.Typer()


@commands.command()
def capability(
    nights: Annotated[int, typer.Option(min=1, max=1_000_000, help="Nights in all.")] = 120,
    seed: Annotated[int, typer.Option(min=0, help="Another set of nights.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON only.")] = False,
    tight: Annotated[
        bool, typer.Option("--tight", help="Only nights without a leak: bands, false alarms.")
    ] = False,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=512, help="Processes; default: one per core.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keep nights here and go on from them.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Write an HTML page.")
    ] = None,
    data: DataOption = DATA,
) -> None:
    """Measure which leaks are found, on blind simulated nights with known leaks.

    Also shows what this bench found of a real known leak, once that has been tried.
    """
    from soakmon.app.bound_nights import tight_nights
    from soakmon.app.soak_context import context_for
    from soakmon.app.whole_file import write_whole
    from soakmon.capability.both_bounds import bounds_of
    from soakmon.capability.certificate import certificate
    from soakmon.capability.form import as_dict
    from soakmon.cli.capability_output import show_capability
    from soakmon.records.opening import now

    processes = jobs or os.cpu_count() or 1
    results = _judged(nights, seed, processes, resume, tight=tight)
    # Half a second each, so they are not kept.
    bounds = bounds_of(list(tight_nights(nights, processes)))
    if page is not None:
        write_whole(page, certificate(results, bounds, version=__version__, seed=seed))
    known = context_for(data, None, 0, now().astimezone()).reference
    if as_json:
        figures = as_dict(results, bounds) | {"known_leak": known or None}
        sys.stdout.write(json.dumps(figures) + "\n")
    else:
        show_capability(terminal(), results, bounds)
        untried = "not tried yet: soakmon bench drip --live tries a known leak"
        print_line(f"This bench: {known or untried}", soft_wrap=True)


def _judged(
    nights: int, seed: int, processes: int, resume: Path | None, *, tight: bool
) -> list[Result]:
    """All nights: those that a file has kept, and the others judged and kept there."""
    from soakmon.app.capability_nights import run
    from soakmon.app.nights_file import add_night, read_nights
    from soakmon.capability.plan import plan, plan_tight
    from soakmon.cli.output import bar

    err = terminal(stderr=True)
    cases = plan_tight(nights, seed) if tight else plan(nights, seed)
    done = read_nights(resume, nights, seed, tight=tight)
    wanted = [case for case in cases if case.index not in done]
    with bar(err, f"judging {nights} nights") as progress:
        for result in run(wanted, processes):
            done[result.index] = result
            add_night(resume, result)
            progress(len(done) / nights)
            # A line now and then where no bar can be drawn.
            now_and_then = len(done) % max(nights // 10, 1) == 0 or len(done) == nights
            if now_and_then and not err.is_terminal:
                print_line(f"{len(done)} of {nights} nights", stderr=True)
    return [done[index] for index in sorted(done)]
