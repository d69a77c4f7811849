"""What the terminal shows: the verdict first, then why, then the cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.panel import Panel
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from soakmon.cautions import CAUTIONS
from soakmon.records.jobs.text import inert
from soakmon.report import words
from soakmon.report.clock import RunClock
from soakmon.watch.decision import Decision
from soakmon.watch.verdict import Outcome, Verdict

EXIT_CODES = {Outcome.TIGHT: 0, Outcome.LEAKING: 1, Outcome.NOT_PROVEN: 3}
_STYLES = {
    Outcome.TIGHT: "bold green",
    Outcome.LEAKING: "bold red",
    Outcome.NOT_PROVEN: "bold yellow",
}
_MOST_FAULTS = 8


def show_decision(
    console: Console, decision: Decision, title: str, clock: RunClock | None = None
) -> None:
    """Print a decision so that it can be read at a glance. clock: the shop's, of a real soak."""
    clock = clock or RunClock()
    verdict = decision.verdict
    head = Text(words.HEADINGS[verdict.outcome], style=_STYLES[verdict.outcome])
    console.print(
        Panel(
            Text.assemble(head, "\n", clock.with_hours(verdict.reason)),
            title=Text(inert(title)),
            expand=False,
        )
    )
    console.print(_facts(verdict, clock))
    if verdict.outcome is not Outcome.TIGHT:
        _lines(console, "Suspects", list(words.suspects(verdict, 4)))
    _lines(console, "Alarms", [f"{clock.at(a.t_s)}  {a.text}" for a in verdict.alarms])
    faults = [f"{clock.at(f.t_s)}  {f.text}" for f in verdict.faults]
    if len(faults) > _MOST_FAULTS:
        faults = [*faults[:_MOST_FAULTS], f"… and {len(faults) - _MOST_FAULTS} more"]
    _lines(console, "Disturbances and faults", faults)


def show_result(
    console: Console,
    decision: Decision,
    title: str,
    files: list[Path],
    shifted: list[int],
    clock: RunClock | None = None,
) -> None:
    """Print a decision with the report's files. shifted: carbs that the job record spoke of."""
    show_decision(console, decision, title, clock)
    if shifted:
        carbs = ", ".join(str(carb) for carb in shifted)
        console.print(Text(f"\nThe job record shifted the odds of causes at carb {carbs}."))
    if files:
        names = ", ".join(file.name for file in files[1:])
        console.print(Text(f"\nReport: {files[0]} (with {names})"))
    show_cautions(console)


def show_cautions(console: Console) -> None:
    """Print the cautions."""
    _lines(console, "Cautions", list(CAUTIONS))


def _facts(verdict: Verdict, clock: RunClock) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    table.add_row("Watched for", clock.span(verdict.duration_s))
    table.add_row("Loss", words.loss(verdict))
    table.add_row("Leak", words.leak(verdict.leak_g_per_h, verdict.outcome))
    table.add_row("Provable", words.provable(verdict))
    table.add_row("Drops", words.drops(verdict))
    return table


def _lines(console: Console, heading: str, lines: list[str]) -> None:
    if not lines:
        return
    console.print(Text(f"\n{heading}", style="bold"))
    for line in lines:
        console.print(Text(f"  • {line}"))


@contextmanager
def bar(console: Console, text: str) -> Iterator[Callable[[float], None]]:
    """A progress bar that takes shares from 0 to 1; silent when nobody watches."""
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    watched = console.is_terminal
    with Progress(*columns, console=console, transient=True, disable=not watched) as progress:
        task = progress.add_task(text, total=1.0)
        yield lambda share: progress.update(task, completed=share)
