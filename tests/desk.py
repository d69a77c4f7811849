"""Runs the commands in this process, as main() does: exit code, output, error line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from soakmon.cli.program import BAD_INPUT, app
from soakmon.errors import SoakmonError


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


class Desk:
    """A data folder, and commands on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, *args: str, stdin: str = "") -> Done:
        environment = {"SOAKMON_DATA": str(self.folder), "SOAKMON_DATABASE": "", "COLUMNS": "200"}
        result = CliRunner().invoke(app, args, input=stdin, env=environment)
        if isinstance(result.exception, SoakmonError):
            return Done(BAD_INPUT, result.stdout, str(result.exception))
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return Done(result.exit_code, result.stdout, result.stderr)
