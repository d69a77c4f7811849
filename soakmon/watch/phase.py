"""The phases of a soak, for decider and bench alike."""

from __future__ import annotations

from enum import StrEnum


class Phase(StrEnum):
    """Where a soak is. Readings alone tell idle, filling, settling and soaking; the bench all."""

    IDLE = "idle"
    PREFLIGHT = "preflight"
    FILLING = "filling"
    SETTLING = "settling"
    SOAKING = "soaking"
    ISOLATING = "isolating"
    ENDED = "ended"
