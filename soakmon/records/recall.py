"""A soak out of the journal: its rows judged again, as it was judged."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.records.journal import Journal, SoakEntry
from soakmon.watch.decide import Decision, decide
from soakmon.watch.rows import Rows


@dataclass(frozen=True, slots=True)
class Recalled:
    """A soak with everything a report needs."""

    entry: SoakEntry
    bench: Bench
    rows: Rows
    decision: Decision


def recall(path: Path, soak: int | None = None) -> Recalled:
    """Read a soak (the last one when None) and decide it again; InputError when there is none."""
    if not path.exists():
        raise InputError(f"{path}: there is no journal: has a soak been run here?")
    journal = Journal(path)
    try:
        entries = {entry.id: entry for entry in journal.soaks()}
        number = max(entries, default=0) if soak is None else soak
        if number not in entries:
            raise InputError(f"{path}: there is no soak {number}")
        rows = journal.read_rows(number)
    finally:
        journal.close()
    if rows is None or len(rows) < 2:
        raise InputError(f"{path}: soak {number} has no readings")
    bench = Bench.model_validate_json(entries[number].configuration)
    return Recalled(entries[number], bench, rows, decide(rows, bench.settings()))
