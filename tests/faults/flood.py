"""What is looked for after a fault: floods that the bench knows of, and what a status says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


def gist(told: dict[str, Any]) -> tuple[Any, ...]:
    """What matters of a status as it is sent, or of what the broker keeps of it."""
    return told.get("phase"), told.get("feed_open"), told.get("soak"), told.get("latch")


@dataclass
class Flood:
    """A flood that the bench knows of: since when (world time, s), where, and whether told."""

    known_s: float
    carb: int | None
    told: bool = False
