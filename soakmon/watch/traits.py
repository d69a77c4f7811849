"""What a run has shown of the bench itself: its cell, and what its gates count without a leak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soakmon.physics.belief import judgement
from soakmon.watch.record import RunRecord
from soakmon.watch.verdict import Alarm

# A shorter run shows little of a cell: temperature and drift have hardly moved it.
_LEAST_H = judgement(12.0, "h")


@dataclass(frozen=True, slots=True)
class CellSeen:
    """Zero shift of the cell, g/°C, with its sd, and its drift, g/√h, as far as the run tells."""

    zero_g_per_c: float
    zero_sd: float
    drift_g_per_root_h: float


@dataclass(frozen=True, slots=True)
class GateSeen:
    """What a gate counted in each hour since the first row, without a leak beneath it."""

    carb: int
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Traits:
    """What a run has shown of the bench; nothing where it told nothing."""

    cell: CellSeen | None = None
    gates: tuple[GateSeen, ...] = ()


def traits_of(record: RunRecord, alarms: Sequence[Alarm]) -> Traits:
    """The traits that a run has shown; alarms: of its verdict. A gate that leaks tells nothing."""
    return Traits(_cell(record), _gates(record, {alarm.carb for alarm in alarms if alarm.leaks}))


def _cell(record: RunRecord) -> CellSeen | None:
    hours = (record.last_s - record.soak_s) / 3600
    if record.weep is None or not record.mass_running or not hours > _LEAST_H:
        return None
    mean, sd = record.weep.filter.zero_g_per_c
    return CellSeen(mean, sd, record.weep.filter.drift_g_per_root_h)


def _gates(record: RunRecord, leaking: set[int | None]) -> tuple[GateSeen, ...]:
    hours = int((record.last_row_s - record.start_s) / 3600) if record.finished else 0
    tally = record.tally
    return tuple(
        GateSeen(gate + 1, _by_hour(record, gate, hours))
        for gate in range(tally.gates)
        # What an unseen leak may have dripped, and a gate that is stuck, is nobody's dark rate.
        if hours and not leaking and tally.blank[gate] == 0
    )


def _by_hour(record: RunRecord, gate: int, hours: int) -> tuple[int, ...]:
    counts = [0] * hours
    pairs = zip(record.tally.times[gate], record.tally.counts[gate], strict=True)
    for t_s, count in pairs:
        hour = int((t_s - record.start_s) / 3600)
        if 0 <= hour < hours:
            counts[hour] += count
    return tuple(counts)
