"""What a shop's benches teach one of them: evaporation, cells and gates by kind, causes by part."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from soakmon.app.shop_results import ShopSoaks, is_own
from soakmon.config import Bench
from soakmon.records.part_causes import PartSeen, parts_seen, read_causes
from soakmon.records.past import soaks_by_bench
from soakmon.records.priors import Table
from soakmon.records.traits import (
    KeptGates,
    cell_kind_of,
    gate_sums,
    gates_kind_of,
    read_traits,
)
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.fleet_traits import (
    LEAST_OTHERS,
    MOST_SOAKS,
    NOW_SOAKS,
    CellKind,
    GateCounts,
    GateKind,
    careful_dark,
    careful_zero,
    cell_kind,
    gate_kind,
    odd_cell,
    odd_gates,
    of_cell,
)
from soakmon.watch.past import Past
from soakmon.watch.traits import CellSeen


@dataclass(slots=True)
class BenchSeen:
    """Soaks of one bench, the latest first: its cell, its gates."""

    cells: list[CellSeen] = field(default_factory=list)
    gates: list[KeptGates] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the other benches' cells and gates are like, None where too few have told.

    own_cell, own_gates: the bench's by its latest soaks. odd: what departs from its kind, in words.
    """

    cell: CellKind | None = None
    gate: GateKind | None = None
    own_cell: CellSeen | None = None
    own_gates: dict[int, GateCounts] = field(default_factory=dict)
    odd: tuple[str, ...] = ()

    def careful(self, bench: Bench) -> dict[str, float]:
        """What of the beliefs in bench.toml is taken more carefully for it, by its key there."""
        priors = bench.priors
        taken = {
            "zero_g_per_c": careful_zero(priors.zero_g_per_c, self.cell),
            "dark_per_h": careful_dark(priors.dark_per_h, self.gate),
        }
        return {key: value for key, value in taken.items() if value != getattr(priors, key)}


def fleet_of(shop: ShopSoaks, bench: Bench, own: str, past: Past) -> FleetPrior:
    """What the soaks of other benches of its shop and kind tell; own, past: of the bench itself."""
    settings = bench.settings()
    others = [(whose, data) for whose, data in shop if not is_own(whose, bench, own)]
    benches = soaks_by_bench(others, settings)
    return replace(settings.priors, past=past).taught_by_others(list(benches.values()))


def learnt_of(shop: ShopSoaks, bench: Bench, own: str) -> Learnt:
    """What the records of a shop's benches say; own: the identity of the bench that asks."""
    seen: dict[str, BenchSeen] = {}
    for whose, data in shop:
        traits, bench_seen = read_traits(data), seen.setdefault(whose, BenchSeen())
        cell = traits.seen_cell
        if cell is not None and traits.cell is not None and traits.cell.kind == cell_kind_of(bench):
            bench_seen.cells.append(cell)
        if traits.gates is not None and traits.gates.kind == gates_kind_of(bench):
            bench_seen.gates.append(traits.gates)
    mine = [bench_seen for whose, bench_seen in seen.items() if is_own(whose, bench, own)]
    others = [bench_seen for whose, bench_seen in seen.items() if not is_own(whose, bench, own)]
    return _judged(bench, mine, others)


def parts_of_shop(shop: ShopSoaks, table: Table) -> list[PartSeen]:
    """What all benches of the shop, this one too, have seen where parts were renewed or not."""
    return parts_seen(((whose, read_causes(data)) for whose, data in shop), table)


def _judged(bench: Bench, mine: list[BenchSeen], others: list[BenchSeen]) -> Learnt:
    cell = cell_kind(_cells(others, MOST_SOAKS), bench.priors.zero_g_per_c)
    gate = None
    # Gates of one bench share its light and dust: as many gates of fewer benches are no kind.
    if sum(bool(one.gates) for one in others) >= LEAST_OTHERS:
        gates = [one for of_bench in _gates(others, MOST_SOAKS) for one in of_bench.values()]
        gate = gate_kind(gates, bench.priors.dark_per_h)
    own_cell = next(iter(_cells(mine, NOW_SOAKS)), None)
    own_gates = next(iter(_gates(mine, NOW_SOAKS)), {})
    odd = []
    if cell is not None and own_cell is not None and len(mine[0].cells) >= NOW_SOAKS:
        odd += [text for text in [odd_cell(own_cell, cell)] if text]
    if gate is not None:
        odd += odd_gates(own_gates, gate)
    return Learnt(cell, gate, own_cell, own_gates, tuple(odd))


def _cells(benches: Iterable[BenchSeen], soaks: int) -> list[CellSeen]:
    return [of_cell(bench.cells[:soaks]) for bench in benches if bench.cells]


def _gates(benches: Iterable[BenchSeen], soaks: int) -> list[dict[int, GateCounts]]:
    return [gate_sums(bench.gates[:soaks]) for bench in benches if bench.gates]
