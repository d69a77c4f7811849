"""What the terminal shows of judged nights."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from soakmon.capability.both_bounds import Bounds
from soakmon.capability.by_owner import owner_heads, owner_lines
from soakmon.capability.evaluate import Result
from soakmon.capability.summary import HEADS, detection_lines, error_lines, facts


def _print(
    console: Console, title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]
) -> None:
    table = Table(title=title)
    for head in heads:
        table.add_column(head)
    for row in rows:
        table.add_row(*row)
    console.print(table)


def show_capability(console: Console, results: list[Result], bounds: Bounds | None) -> None:
    """Show what judged nights say together."""
    title = f"{len(results)} blind simulated nights (invented data)"
    _print(console, title, HEADS, detection_lines(results))
    _print(
        console, "by what the owner knows of the bench", owner_heads(results), owner_lines(results)
    )
    for name, value in facts(results, bounds):
        console.print(Text.assemble((f"{name}: ", "bold"), value))
    for line in error_lines(results):
        console.print(Text(line))
