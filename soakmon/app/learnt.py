"""Everything that a bench has been taught, by itself and by the others of its shop, laid open."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from soakmon.app.fleet_learning import fleet_of, learnt_of, parts_of_shop
from soakmon.app.shop_results import ShopSoaks, is_own, soaks_of_shop
from soakmon.app.soak_context import past_of
from soakmon.config import Bench
from soakmon.records.identity import bench_id
from soakmon.records.opening import open_records
from soakmon.records.past import soaks_by_bench
from soakmon.records.priors import read_table
from soakmon.records.traits import cell_kind_of, gates_kind_of
from soakmon.watch.past import ratio_of, usable

SCHEMA = "soakmon.learnt/1"


def learnt_by(folder: Path, bench: Bench, *, invented: bool) -> dict[str, Any]:
    """As JSON types; what too few have told is null or empty. invented: of rehearsals.

    Raises InputError where there are no records.
    """
    own = bench_id(folder)
    with open_records(folder) as records, records.session() as session:
        past = past_of(session, bench, own, invented=invented)
        shop = soaks_of_shop(session, bench, invented=invented)
        fleet, learnt = fleet_of(shop, bench, own, past), learnt_of(shop, bench, own)
        parts = parts_of_shop(shop, read_table(folder))
        return {
            "schema": SCHEMA,
            "bench": bench.service.name,
            "shop": bench.service.shop,
            "past": {**asdict(past), "text": past.text},
            "fleet": {**asdict(fleet), "text": fleet.text},
            "benches": _benches(shop, bench, own),
            "cells": {
                "kind": cell_kind_of(bench),
                "of_kind": asdict(learnt.cell) if learnt.cell else None,
                "own": asdict(learnt.own_cell) if learnt.own_cell else None,
            },
            "gates": {
                "kind": gates_kind_of(bench),
                "of_kind": asdict(learnt.gate) if learnt.gate else None,
                "own": {
                    str(carb): dict(zip(("counts", "hours"), gate.all, strict=True))
                    for carb, gate in sorted(learnt.own_gates.items())
                },
            },
            "careful": learnt.careful(bench),
            "odd": list(learnt.odd),
            "parts": [
                {"field": part.field, "value": part.value, "carbs": round(part.carbs, 1),
                 "causes": {
                     str(cause): dict(zip(("cases", "expected", "factor"), seen, strict=True))
                     for cause, seen in part.cases.items()
                 }}
                for part in parts
            ],
        }  # fmt: skip


def _benches(shop: ShopSoaks, bench: Bench, own: str) -> list[dict[str, Any]]:
    """Each bench of the shop with such a bottle, hose and fuel: its soaks, what they lost."""
    priors = replace(bench.settings().priors, blank_scale=None)
    by_bench = soaks_by_bench(shop, bench.settings())
    rows = []
    for whose, soaks in by_bench.items():
        tight = [soak for soak in usable(soaks) if soak.spare_g is not None]
        rows.append(
            {
                "bench": whose,
                "own": is_own(whose, bench, own),
                "tight": len(tight),
                "more_than_expected": len(usable(soaks)) - len(tight),
                "ratio": round(ratio_of(tight, priors.scales), 4) if tight else None,
            }
        )
    return rows
