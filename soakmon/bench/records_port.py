"""The records, as the service of a bench uses them; who they are is the caller's business."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from soakmon.records.soak_context import SoakContext
from soakmon.weigh.result import BenchTestResult

# What the records tell a soak with a job (or none) that begins at a wall time in s.
ContextProvider = Callable[[str | None, float], SoakContext]
# Takes the result of a bench test, with a job or as the bench's own.
StoreResult = Callable[[BenchTestResult, str | None], None]


@dataclass(frozen=True, slots=True)
class RecordsPort:
    """What the service of a bench needs from the records."""

    context_for: ContextProvider
    keep: StoreResult
