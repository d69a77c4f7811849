"""What the page asks of the report queue, whoever makes the reports."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Protocol

ReportStage = Literal["ready", "making", "failed", "missing"]


class ReportSource(Protocol):
    """Reports of ended soaks, each a folder of files."""

    def state(self, soak: int) -> ReportStage:
        """Where a soak's report stands."""
        ...

    def path(self, soak: int) -> Path:
        """The folder of a soak's report."""
        ...

    def make(self, soak: int) -> None:
        """Have a report made, in place of one that is there."""
        ...
