"""What a soak of the bench leaves in the records for later soaks, its own and other benches'."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from soakmon.app.fleet_learning import learnt_of
from soakmon.app.keep_results import keep_soak
from soakmon.app.shop_results import soaks_of_shop
from soakmon.bench_toml import parse_bench
from soakmon.records.identity import bench_id
from soakmon.records.jobs.models import StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.journal import SoakEntry
from soakmon.records.priors import Shift
from soakmon.records.recall import Recalled
from soakmon.records.soak_context import SoakContext
from soakmon.records.traits import read_traits
from soakmon.watch.decide import decide
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Cause, Outcome
from tests.desk import Desk
from tests.watch.nights import night

BEGAN = datetime(2026, 3, 1, 20, tzinfo=UTC)
JOINT = Cause.BOWL_JOINT_WEEP


def told_of(rows: Rows, bench_toml: str, context: SoakContext) -> Recalled:
    """A soak as it comes out of the journal."""
    bench = parse_bench(bench_toml)
    settings = context.applied(bench.settings())
    decision = decide(rows, settings)
    entry = SoakEntry(
        id=1, title="invented rack", started_wall_s=BEGAN.timestamp(), gates=rows.gates,
        configuration=bench.model_dump_json(), job=context.job or None,
        ended_t_s=float(rows.t_s[-1]), verdict=None,
    )  # fmt: skip
    return Recalled(entry, bench, context, settings, (), rows, decision, decision.verdict)


def kept(desk: Desk, kind: str = "soak") -> StoredResult:
    with Records(desk.folder) as records, records.session() as session:
        (found,) = session.scalars(select(StoredResult).where(StoredResult.kind == kind))
        return found


def test_a_tight_soak_keeps_evaporation_cell_and_gates_and_whose_it_is(tmp_path):
    desk = Desk(tmp_path / "data")
    easy = '[soak]\ncriterion_g_per_day = 20\n[service]\nshop = "north"\nname = "left"'
    found = told_of(night(3, spacing_s=20.0), easy, SoakContext())
    assert found.decision.verdict.outcome is Outcome.TIGHT
    assert keep_soak(desk.folder, found, [])
    result = kept(desk)
    assert result.data["shop"] == "north"
    assert result.data["evaporation"]["spare_g"] > 0
    traits = read_traits(result.data)
    cell, seen = found.decision.traits.cell, traits.seen_cell
    assert cell is not None
    assert seen is not None
    assert seen.zero_g_per_c == pytest.approx(cell.zero_g_per_c, abs=1e-5)
    assert seen.drift_g_per_root_h == pytest.approx(cell.drift_g_per_root_h, abs=1e-5)
    assert traits.gates is not None
    assert sum(traits.gates.hours) == 23
    # From 20:00 on a night of 23 whole hours lacks one of the day.
    assert traits.gates.hours[19] == 0
    assert set(traits.gates.counts) == {1, 2, 3, 4}
    with Records(desk.folder) as records, records.session() as session:
        shop = soaks_of_shop(session, found.bench, invented=False)
        learnt = learnt_of(shop, found.bench, bench_id(desk.folder))
    assert learnt.own_cell is not None
    assert learnt.own_cell.zero_g_per_c == pytest.approx(seen.zero_g_per_c)


def test_a_leak_keeps_its_causes_by_part_without_what_the_record_said_of_them(tmp_path):
    desk = Desk(tmp_path / "data")
    number = desk(
        "job", "new", "--customer", "invented", "--machine", "750", "--rack", "four", "--carbs", "4"
    ).out.strip()  # fmt: skip
    desk("job", "carb", number, "2", "bowl_gasket_renewed=no", "jet.main=105")
    rows = night(3, leak_g_per_h=0.5, carb=2, spacing_s=20.0)
    chances = {}
    for factor in (1.0, 5.0):
        shifts = {2: Shift({JOINT: factor}, ("x",))} if factor != 1.0 else {}
        found = told_of(rows, "", SoakContext(job=number, shifts=shifts))
        assert found.decision.verdict.outcome is Outcome.LEAKING
        said = {s.cause: s.probability for s in found.decision.verdict.suspects if s.carb == 2}
        folder = tmp_path / f"{factor}"
        (folder / "attachments").mkdir(parents=True)
        (folder / "records.db").write_bytes((desk.folder / "records.db").read_bytes())
        assert keep_soak(folder, found, [])
        result = kept(Desk(folder))
        carbs = {one["carb"]: one for one in result.data["causes"]}
        assert carbs[2]["parts"] == {"bowl_gasket_renewed": False}
        assert carbs[1]["parts"] == {}
        chances[factor] = said[JOINT], carbs[2]["chances"][JOINT]
        # A gate that leaks tells no dark rate.
        assert result.data["traits"]["gates"] is None
    assert chances[5.0][0] > chances[1.0][0]
    assert math.isclose(chances[5.0][1], chances[1.0][1], abs_tol=0.01)
