"""The command line: one module a family; what a command needs is imported when it runs."""

from __future__ import annotations


def main() -> None:
    """Entry point of the command `soakmon`; see `program.run`."""
    from soakmon.cli.program import run

    run()
