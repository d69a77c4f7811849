"""What a bench is due for, out of its records and its journal."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from soakmon.commission.due import KINDS, Last, due, gate_dirty
from soakmon.config import Bench
from soakmon.errors import SoakmonError
from soakmon.records.identity import bench_id
from soakmon.records.jobs.work import latest
from soakmon.records.journal import Journal
from soakmon.records.opening import has_records, open_records
from soakmon.watch.verdict import Outcome


def due_of(folder: Path, bench: Bench, today: date) -> list[tuple[str, str]]:
    """(name, what to do); what cannot be read is told as such."""
    try:
        last = last_of(folder, bench, ("calibration", "daily_check", *KINDS))
        return due(last, today) + _gates(folder / "journal.db")
    except SoakmonError as error:
        return [("records", str(error))]


def last_of(folder: Path, bench: Bench, kinds: tuple[str, ...]) -> dict[str, Last]:
    """The bench's last result of each kind; what was never done is missing."""
    last: dict[str, Last] = {}
    if has_records(folder):
        with open_records(folder) as records, records.session() as session:
            for kind in kinds:
                result = latest(session, kind, bench.service.name, bench_id(folder))
                if result is not None:
                    day = result.at.astimezone().date()
                    passed = bool(result.data.get("passed", True))
                    last[kind] = Last(day, passed, result.data, result.summary)
    return last


def _gates(path: Path) -> list[tuple[str, str]]:
    """Gates whose dark counts rise, by the soaks that were tight: then no count was a drop."""
    if not path.exists():
        return []
    journal = Journal(path)
    try:
        soaks = journal.soaks()
    finally:
        journal.close()
    counts: dict[int, list[float]] = {}
    for soak in soaks:
        if soak.ended_t_s and soak.verdict and soak.verdict.verdict is Outcome.TIGHT:
            for gate, drops in enumerate(soak.verdict.drops):
                counts.setdefault(gate, []).append(drops / (soak.ended_t_s / 3600))
    dirty = {
        f"gate {gate + 1}": gate_dirty(counts_of) for gate, counts_of in sorted(counts.items())
    }
    return [(name, text) for name, text in dirty.items() if text]
