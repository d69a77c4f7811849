"""A whole run at once: judged with what its job says, reported, and kept with the job."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.app.keep_results import keep
from soakmon.app.order import Order, begin
from soakmon.report.content import About
from soakmon.report.files import write_report
from soakmon.watch.decide import decide
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings


def judge_run(
    rows: Rows,
    settings: Settings,
    title: str,
    order: Order,
    *,
    report: Path | None = None,
    phase: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[Decision, list[Path], About]:
    """Decision, the report's files and what it says of the run. report: its folder; None: none."""
    order, settings = begin(order, settings, rows.gates)
    decision = decide(rows, settings, phase=phase, progress=progress)
    files: list[Path] = []
    if report is not None:
        files = write_report(report, rows, decision, title, order.about, paper=order.paper)
        keep(order, decision, title, files)
    elif order.job is not None:
        with TemporaryDirectory() as name:
            written = write_report(
                Path(name), rows, decision, title, order.about, paper=order.paper
            )
            keep(order, decision, title, written)
    return decision, files, order.about
