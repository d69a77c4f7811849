"""Lines that commands print, and the terminal they go to; its library is loaded with the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from soakmon.cli.terminal import Terminal


def terminal(*, stderr: bool = False) -> Terminal:
    """What is printed on."""
    from soakmon.cli.terminal import Terminal

    return Terminal(stderr=stderr)


def print_line(
    text: str, *, style: str = "", soft_wrap: bool = False, stderr: bool = False
) -> None:
    """Print a line of plain text. soft_wrap: the terminal breaks it, not we."""
    from rich.text import Text

    terminal(stderr=stderr).print(Text(text, style=style), soft_wrap=soft_wrap)
