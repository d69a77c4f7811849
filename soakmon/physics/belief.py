"""Numbers that no formula gives, each once: value, unit, and where it comes from.

They stand at the top of their modules, `_KINK_G = judgement(0.6, "g")`, and the comment above says
why. Of a table the unit is that of each column. `python -m tests.beliefs` lists them all, and shows
what it matters when each is half or double.
"""

from __future__ import annotations

from typing import TypeVar

Value = TypeVar("Value")
Unit = str | tuple[str, ...]


def published(value: Value, unit: Unit) -> Value:
    """A figure from a source, which the comment above it names."""
    del unit
    return value


def measured(value: Value, unit: Unit) -> Value:
    """A figure that was counted or measured: on recordings, or on nights that were simulated."""
    del unit
    return value


def judgement(value: Value, unit: Unit) -> Value:
    """What somebody who knows the trade would say: no source gives it."""
    del unit
    return value


def effort(value: Value, unit: Unit) -> Value:
    """How finely, how often or how far back is reckoned: of the work, not of the world."""
    del unit
    return value
