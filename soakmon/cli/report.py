"""The command soakmon report."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from soakmon.cli.options import DATA, DataOption, PaperOption, ReportOption, VerdictJsonOption
from soakmon.cli.printing import print_line, terminal

commands = typer.Typer()


@commands.command()
def report(
    soak: Annotated[
        str | None,
        typer.Argument(
            metavar="[SOAK|JOB]",
            help="Soak, or job for its latest soak; default: the last soak.",
        ),
    ] = None,
    data: DataOption = DATA,
    report: ReportOption = None,
    paper: PaperOption = "a4",
    as_json: VerdictJsonOption = False,
) -> None:
    """Write the report of a soak in the journal, and keep it with its job.

    The same soak makes the same bytes, whenever it is asked for.
    """
    from soakmon.app.report_soak import report_soak
    from soakmon.cli.output import EXIT_CODES, show_result
    from soakmon.records.verdict_form import VerdictForm

    reported = report_soak(data, soak, report, paper)
    decision = reported.soak.decision
    if as_json:
        sys.stdout.write(VerdictForm.of(decision.verdict).as_line())
    else:
        shifted = list(reported.soak.context.shifts)
        show_result(terminal(), decision, reported.title, reported.files, shifted, reported.clock)
        if reported.record_text:
            print_line(reported.record_text)
    raise typer.Exit(EXIT_CODES[decision.verdict.outcome])
