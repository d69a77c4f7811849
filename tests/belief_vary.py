"""Judges nights with one belief changed: a process of its own, for beliefs are read at import.

python -m tests.belief_vary MODULE LINE COLUMN FACTOR NIGHTS    (started by tests.beliefs)
"""

from __future__ import annotations

import json
import pickle
import sys
from pathlib import Path
from typing import Any

import numpy as np

from soakmon.physics import belief as marks

# What has beliefs is imported where it is used: they are to be changed before.
# ruff: noqa: PLC0415

# Of these the odds are halved and doubled, and the weights of a table drawn together or apart.
CHANCE, SHARES = "chance", ("weight", "odds")


def varied(value: Any, unit: str, factor: float) -> Any:
    """A belief so much larger: a number, or all numbers of what holds several."""
    if isinstance(value, dict):
        return {key: varied(one, unit, factor) for key, one in value.items()}
    if isinstance(value, tuple):
        if unit in SHARES:
            return tuple(one**factor for one in value)
        return tuple(varied(one, unit, factor) for one in value)
    if isinstance(value, np.ndarray):
        return np.array([varied(one, unit, factor) for one in value.tolist()])
    if unit == CHANCE:
        if not 0 < value < 1:
            return value
        odds = factor * value / (1 - value)
        return odds / (1 + odds)
    if isinstance(value, int):
        return max(round(value * factor), 1)
    return value * factor


def varied_column(table: Any, column: int, unit: str, factor: float) -> Any:
    """A table of rows with one column so much larger."""
    values = varied(tuple(row[column] for row in table), unit, factor)
    return tuple(
        (*row[:column], value, *row[column + 1 :]) for row, value in zip(table, values, strict=True)
    )


def change(module: str, line: int, column: int, factor: float) -> None:
    """From now on the belief that stands there is so much larger, in what is imported later."""

    def marked(value: Any, unit: str | tuple[str, ...]) -> Any:
        caller = sys._getframe(1)
        if (caller.f_globals["__name__"], caller.f_lineno) != (module, line):
            return value
        if isinstance(unit, tuple):
            return varied_column(value, column, unit[column], factor)
        return varied(value, unit, factor)

    for name in ("published", "measured", "judgement", "effort"):
        setattr(marks, name, marked)


def judge(nights: Path) -> list[dict[str, Any]]:
    """What the verdict on each of the nights says."""
    from soakmon.watch.decide import decide

    told = []
    for night in pickle.loads(nights.read_bytes()):
        rows, settings = _read(night)
        verdict = decide(rows, settings).verdict
        first = verdict.suspects[0] if verdict.suspects else None
        told.append(
            {
                "verdict": str(verdict.outcome),
                "alarms": sorted((alarm.kind, alarm.carb or 0) for alarm in verdict.alarms),
                "cause": [str(first.cause), first.carb] if first else [],
                "faults": sorted({fault.kind for fault in verdict.faults}),
                "alarm_h": min((alarm.t_s for alarm in verdict.alarms), default=0.0) / 3600,
                "likeliest": first.probability if first else 0.0,
                "leak": 24 * verdict.leak_g_per_h.best,
                "could_hide": 24 * verdict.leak_g_per_h.high,
                "evaporation": verdict.expected_evaporation_g.best,
                "provable": 24 * (verdict.smallest_provable_leak_g_per_h or 30.0),
            }
        )
    return told


def _read(night: dict[str, Any]) -> tuple[Any, Any]:
    """Rows and settings of a night as it was kept: the beliefs are those of this process."""
    from soakmon.config import Bench
    from soakmon.watch.rows import Rows
    from soakmon.watch.settings import DESCRIBED, Settings

    rows = Rows(**night["rows"])
    if night["table"] is not None:
        return rows, Bench.model_validate(night["table"]).settings()
    return rows, Settings(night["geometry"], night["fuel"], DESCRIBED)


def main(words: list[str]) -> None:
    """Change the belief, judge, and write what came of it as JSON."""
    module, line, column, factor, nights = words
    change(module, int(line), int(column), float(factor))
    print(json.dumps(judge(Path(nights))))


if __name__ == "__main__":
    main(sys.argv[1:])
