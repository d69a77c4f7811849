"""The records, as the service of a bench uses them; who they are is the caller's business."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from soakmon.records.told import Told
from soakmon.weigh.judge import Judged

# What the records tell a soak with a job (or none) that begins at a wall time in s.
Consult = Callable[[str | None, float], Told]
# Takes the result of a bench test, with a job or as the bench's own.
Keep = Callable[[Judged, str | None], None]


@dataclass(frozen=True, slots=True)
class Book:
    """Records that tell and keep."""

    consult: Consult
    keep: Keep
