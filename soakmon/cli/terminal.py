"""What the commands print on: nothing that is shown steers the terminal or is taken for markup.

Reasons, titles and errors come from brokers, databases and whoever may send a command. They are
cleaned where they come in; what lies in an older journal, or comes otherwise, ends here.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from soakmon.records.jobs.text import inert


class Terminal(Console):
    """A console of which every text is plain: styles are ours alone."""

    def __init__(self, *, stderr: bool = False) -> None:
        super().__init__(stderr=stderr, highlight=False, markup=False, emoji=False)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """The pieces of text that are written, with what steers as its code."""
        for piece in super().render(renderable, options):
            if piece.control:
                yield piece
            else:
                yield Segment(inert(piece.text, lines=True), piece.style)


class _Plain(logging.Formatter):
    """Log lines as plain as what is printed: brokers and databases have words of their own."""

    def format(self, record: logging.LogRecord) -> str:
        return inert(super().format(record), lines=True)


def plain_logs(level: int = logging.WARNING, form: str = "%(message)s") -> None:
    """Write log lines to standard error, unless something else has been set up."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Plain(form))
    logging.basicConfig(level=level, handlers=[handler])
