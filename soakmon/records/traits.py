"""What a soak has shown of cell and gates, as the job record keeps it, and read back.

Kept under a key of its own: records of before have none, and programs of before pass it over.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Annotated, Any

from pydantic import BaseModel, Field, ValidationError

from soakmon.config import Bench
from soakmon.watch.fleet_traits import HOURS, GateCounts
from soakmon.watch.traits import CellSeen, Traits

KEY = "traits"
Number = Annotated[float, Field(ge=-1e3, le=1e3, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1e3, allow_inf_nan=False)]
ByHour = Annotated[list[Annotated[float, Field(ge=0, le=1e7)]], Field(min_length=HOURS)]


class KeptCell(BaseModel):
    """A cell as a soak has shown it (`watch.traits.CellSeen`), and of which kind it is."""

    kind: str
    zero_g_per_c: Number
    zero_sd: Positive
    drift_g_per_root_h: Positive


class KeptGates(BaseModel):
    """Gates as a soak has shown them: hours watched and counts by hour of the day, by carb."""

    kind: str
    hours: ByHour
    counts: dict[int, ByHour]


class KeptTraits(BaseModel):
    """What a soak has shown of a bench; nothing of what did not tell."""

    cell: KeptCell | None = None
    gates: KeptGates | None = None

    @property
    def seen_cell(self) -> CellSeen | None:
        """The cell as plain values."""
        cell = self.cell
        if cell is None:
            return None
        return CellSeen(cell.zero_g_per_c, cell.zero_sd, cell.drift_g_per_root_h)


def cell_kind_of(bench: Bench) -> str:
    """Which cells are of one kind: what bench.toml says, else its converter and capacity."""
    return bench.cell.kind or f"{bench.cell.driver}, {bench.cell.capacity_g:g} g"


def gates_kind_of(bench: Bench) -> str:
    """Which gates are of one kind: what bench.toml says, else those of which nothing is said."""
    return bench.gates.kind


def traits_form(traits: Traits, bench: Bench, began: datetime) -> dict[str, Any]:
    """As it is kept. began: when the first row was read, by the shop's clock."""
    cell, gates = traits.cell, None
    if traits.gates:
        watched = len(traits.gates[0].counts)
        of_day = [(began + timedelta(hours=n)).hour for n in range(watched)]
        hours = _sums(of_day, [1] * watched)
        counts = {gate.carb: _sums(of_day, gate.counts) for gate in traits.gates}
        gates = KeptGates(kind=gates_kind_of(bench), hours=hours, counts=counts)
    kept = None
    if cell is not None:
        kept = KeptCell(
            kind=cell_kind_of(bench),
            zero_g_per_c=round(cell.zero_g_per_c, 5),
            zero_sd=round(cell.zero_sd, 5) or 1e-5,
            drift_g_per_root_h=round(cell.drift_g_per_root_h, 5) or 1e-5,
        )
    return KeptTraits(cell=kept, gates=gates).model_dump(mode="json")


def _sums(of_day: list[int], counts: Any) -> list[float]:
    sums = [0.0] * HOURS
    for hour, count in zip(of_day, counts, strict=True):
        sums[hour] += count
    return sums


def read_traits(data: Mapping[str, Any]) -> KeptTraits:
    """What the data of a result hold of it; nothing where there is none, or it cannot be read."""
    try:
        return KeptTraits.model_validate(data.get(KEY) or {})
    except ValidationError:
        return KeptTraits()


def gate_sums(soaks: list[KeptGates]) -> dict[int, GateCounts]:
    """Counts of each gate of a bench over several soaks."""
    sums: dict[int, GateCounts] = {}
    for soak in soaks:
        for carb, counts in soak.counts.items():
            before = sums.get(carb, GateCounts((0.0,) * HOURS, (0.0,) * HOURS))
            sums[carb] = GateCounts(
                tuple(a + b for a, b in zip(before.counts, counts, strict=False)),
                tuple(a + b for a, b in zip(before.hours, soak.hours, strict=False)),
            )
    return sums
