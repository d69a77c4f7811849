"""What the benches of a shop learn from each other through the records that they share."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from soakmon.app.fleet_learning import Learnt, fleet_of, learnt_of
from soakmon.app.shop_results import soaks_of_shop
from soakmon.app.soak_context import past_of
from soakmon.bench.preflight import check_context
from soakmon.bench_toml import parse_bench
from soakmon.config import Bench
from soakmon.records.jobs.work import add_result
from soakmon.records.soak_context import SoakContext, context_from
from soakmon.records.traits import KEY, cell_kind_of, read_traits, traits_form
from soakmon.report.bench_facts import bench_facts
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.past import Past
from soakmon.watch.traits import CellSeen, GateSeen, Traits

NOW = datetime(2026, 3, 1, tzinfo=UTC)
BENCH = parse_bench('[service]\nname = "north"')
OWN = "00000000-0000-0000-0000-000000000001"


def evaporation(ratio: float, bench: Bench = BENCH) -> dict[str, Any]:
    """What a tight soak on such a bench keeps."""
    settings = bench.settings()
    of = {
        "bottle": asdict(settings.geometry.bottle),
        "hose": asdict(settings.geometry.hose),
        "fuel": asdict(settings.fuel),
    }
    del of["bottle"]["fill_ml"]
    feed, bowls = settings.priors.scales
    lost_g = ratio * (4.0 * feed + 2.0 * bowls)
    return {"lost_g": lost_g, "feed_g": 4.0, "bowls_g": 2.0, "spare_g": 40.0, "of": of}


def keep(records, whose: int, ratios: list[float], bench: Bench = BENCH, **more: Any) -> None:
    """Soaks of bench number `whose`; more: what else is kept with them, None: leave it out."""
    data = {"bench_id": f"00000000-0000-0000-0000-{whose:012d}", "shop": "", "verdict": {}} | more
    data = {key: value for key, value in data.items() if value is not None}
    with records.session() as session:
        for number, ratio in enumerate(ratios):
            add_result(
                session, None, NOW + timedelta(days=number), kind="soak", summary="tight",
                data=data | {"evaporation": evaporation(ratio, bench)}, bench=f"bench {whose}",
            )  # fmt: skip


def told(records, bench: Bench = BENCH) -> tuple[Past, FleetPrior]:
    with records.session() as session:
        past = past_of(session, bench, OWN, invented=False)
        shop = soaks_of_shop(session, bench, invented=False)
        return past, fleet_of(shop, bench, OWN, past)


def hall(records, benches: int = 6, **more: Any) -> None:
    ratios = np.exp(np.random.default_rng(3).normal(-0.3, 0.1, (benches, 3)))
    for number, of_bench in enumerate(ratios.tolist(), start=10):
        keep(records, number, of_bench, **more)


def test_a_bench_without_soaks_learns_from_the_shops_others(records):
    hall(records)
    past, fleet = told(records)
    assert past == Past()
    assert (fleet.benches, fleet.soaks) == (6, 18)
    assert fleet.ratio == pytest.approx(0.74, rel=0.15)
    assert fleet.keeps


def test_from_three_soaks_on_its_own_outrank_the_fleet(records):
    hall(records)
    keep(records, 1, [1.5, 1.6])
    assert told(records)[1].benches == 6
    keep(records, 1, [1.4])
    with records.session() as session:
        # Its results are found by its name, as they were kept.
        past = past_of(session, named("bench 1"), OWN, invented=False)
        shop = soaks_of_shop(session, named("bench 1"), invented=False)
        fleet = fleet_of(shop, named("bench 1"), OWN, past)
    assert past.soaks == 3
    assert past.scale > 1.2
    assert fleet == FleetPrior()


def named(name: str) -> Bench:
    return BENCH.model_copy(update={"service": BENCH.service.model_copy(update={"name": name})})


def test_of_another_shop_nothing_is_read(records):
    hall(records, shop="elsewhere")
    assert told(records)[1] == FleetPrior()
    elsewhere = parse_bench('[service]\nname = "north"\nshop = "elsewhere"')
    assert told(records, elsewhere)[1].benches == 6


def test_another_kind_of_hose_is_another_kind_and_a_longer_one_is_not(records):
    hall(records)
    low = parse_bench('[service]\nname = "north"\n[hose]\nkind = "low_permeation"')
    assert told(records, low)[1] == FleetPrior()
    longer = parse_bench('[service]\nname = "north"\n[hose]\nlength_mm = 500')
    assert told(records, longer)[1].benches == 6


def test_records_of_before_are_read_and_torn_ones_passed_over(records):
    """Of before identities and shops, and of what nobody of this program has written."""
    hall(records, benches=4, bench_id=None, shop=None)
    with records.session() as session:
        for data in ({}, {"evaporation": None}, {"evaporation": {"of": 3}}, {"shop": 7}):
            add_result(session, None, NOW, kind="soak", summary="?", data=data, bench="odd")
    assert told(records)[1].benches == 4


def test_one_bench_counts_once_whatever_it_is_called(records):
    for name in ("left", "right"):
        with records.session() as session:
            for bench in (21, 22):
                add_result(
                    session, None, NOW, kind="soak", summary="tight", bench=name,
                    data={"bench_id": f"{bench}", "evaporation": evaporation(0.8)},
                )  # fmt: skip
    assert told(records)[1] == FleetPrior()  # two benches, however often they were named


def traits(zero: float, counts: int, kind: str = "") -> dict[str, Any]:
    """What a soak of a day has shown, as it is kept."""
    by_hour = [counts / 24] * 24
    return {
        "cell": {"kind": kind or cell_kind_of(BENCH), "zero_g_per_c": zero, "zero_sd": 0.02,
                 "drift_g_per_root_h": 0.05},
        "gates": {"kind": kind, "hours": [1.0] * 24, "counts": {1: by_hour, 2: [0.0] * 24}},
    }  # fmt: skip


def learnt(records, bench: Bench = BENCH) -> Learnt:
    with records.session() as session:
        return learnt_of(soaks_of_shop(session, bench, invented=False), bench, OWN)


def test_a_cell_and_a_gate_that_depart_from_their_kind_are_told_before_the_soak(records):
    zeros = np.random.default_rng(5).normal(0, 0.05, 6)
    for number, zero in enumerate(zeros.tolist(), start=10):
        keep(records, number, [0.8] * 3, traits=traits(zero, 0))
    assert learnt(records).odd == ()
    keep(records, 1, [0.9] * 3, traits=traits(0.5, 60))
    assert learnt(records).odd  # its results are found by its identity
    found = learnt(records)
    assert found.cell is not None
    assert found.cell.cells == 6
    assert "temperature by 0.50 g/°C" in found.odd[0]
    assert found.odd[1].startswith("gate 1 counts 2.5 an hour")
    context = SoakContext(odd=found.odd, **found.careful(BENCH))
    assert context.dark_per_h is not None
    assert context.dark_per_h < BENCH.priors.dark_per_h
    assert context.zero_g_per_c is None  # that others shift less narrows nothing
    assert context_from(context.as_dict()) == context
    assert context.applied(BENCH.settings()).priors.dark_per_h == context.dark_per_h
    told = [check for check in check_context(context) if check.text in found.odd]
    assert [(check.passed, check.warning) for check in told] == [(False, True)] * 2


def test_other_makes_of_cell_and_gate_are_other_kinds(records):
    for number in range(10, 16):
        keep(records, number, [0.8] * 3, traits=traits(0.01, 0, kind="another make"))
    assert learnt(records).cell is None
    same = parse_bench('[cell]\nkind = "another make"\n[gates]\nkind = "another make"')
    assert learnt(records, same).cell is not None
    assert learnt(records, same).gate is not None


def test_torn_traits_are_passed_over(records):
    for torn in ({"cell": 3}, {"gates": {"kind": "", "hours": [1], "counts": {}}}, "x"):
        keep(records, 10, [0.8], traits=torn)
    assert learnt(records) == Learnt()


def test_hours_are_those_of_the_shops_clock():
    seen = Traits(CellSeen(0.1, 0.02, 0.05), (GateSeen(2, (0, 3, *[0] * 22, 1)),))
    began = datetime(2026, 3, 1, 22, 30, tzinfo=UTC)
    kept = read_traits(json.loads(json.dumps({KEY: traits_form(seen, BENCH, began)})))
    assert kept.seen_cell == seen.cell
    assert kept.gates is not None
    assert kept.gates.counts[2][23] == 3
    assert kept.gates.counts[2][22] == 1
    assert kept.gates.hours[22] == 2
    assert sum(kept.gates.hours) == 25


def test_what_was_learnt_is_kept_with_the_soak_and_told(records):
    hall(records)
    fleet = told(records)[1]
    context = SoakContext(fleet=fleet)
    again = context_from(context.as_dict())
    assert again == context
    settings = again.applied(BENCH.settings())
    assert settings.priors.fleet == fleet
    assert hash(settings.priors) is not None
    assert fleet.text in dict(bench_facts(settings)).values()
    assert any(check.text == fleet.text for check in check_context(context))
    # Soaks that were begun before there was any of this.
    old = {key: value for key, value in context.as_dict().items() if key != "fleet"}
    assert context_from(old) == replace(context, fleet=FleetPrior())
