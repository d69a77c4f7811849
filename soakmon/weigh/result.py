"""The result of a bench test: lines to read, data to keep, passed or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from soakmon.watch.figures import places_of, plain, rounded_up, written
from soakmon.weigh.uncertainty import Measured

# As it goes into the record, as JSON: who reads it knows the kind of test.
Data = dict[str, Any]


@dataclass(frozen=True, slots=True)
class BenchTestResult:
    """Result of a bench test: summary in a line, lines to show, data to keep."""

    kind: str
    passed: bool
    summary: str
    lines: tuple[str, ...]
    data: Data = field(default_factory=dict)


def with_uncertainty(measured: Measured, unit: str) -> str:
    """A value with the digits that its uncertainty leaves, which is rounded up (GUM 7.2.6)."""
    if measured.expanded == 0:
        return f"{plain(measured.value, 3)} {unit}"
    places = places_of(measured.expanded, 2)
    expanded = written(rounded_up(measured.expanded, places), places)
    return f"{round(measured.value, places) + 0.0:.{max(places, 0)}f} ± {expanded} {unit}"
