"""What the benches of a shop learn from each other through the records that they share."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from soakmon.app.soak_context import fleet_of, past_of
from soakmon.bench.preflight import check_context
from soakmon.bench_toml import parse_bench
from soakmon.config import Bench
from soakmon.records.jobs.work import add_result
from soakmon.records.soak_context import SoakContext, context_from
from soakmon.report.bench_facts import bench_facts
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.past import Past

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
        return past, fleet_of(session, bench, OWN, past, invented=False)


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
        fleet = fleet_of(session, named("bench 1"), OWN, past, invented=False)
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
