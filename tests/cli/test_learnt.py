"""The command soakmon learnt: what a bench has been taught, for people and for scripts."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from sqlalchemy import Engine, event

from soakmon.app.learnt import learnt_by
from soakmon.app.soak_context import context_for
from soakmon.config import Bench
from soakmon.records.jobs.store import Records
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.verdict import Cause
from tests.desk import Desk
from tests.records.jobs.test_shop_results import keep, traits

JOINT = "bowl_joint_weep"


@pytest.fixture
def desk(tmp_path) -> Desk:
    """A shop of six other benches, three soaks each; the first has had one that lost too much."""
    made = Desk(tmp_path / "data")
    with Records(made.folder) as records:
        for number in range(10, 16):
            ratios = np.exp(np.random.default_rng(number).normal(-0.3, 0.1, 3))
            keep(records, number, ratios.tolist(), traits=traits(0.04, 1))
        keep(records, 20, [0.8] * 3, shop="elsewhere")
    return made


def test_it_lays_open_what_the_others_have_told(desk):
    done = desk("learnt")
    assert done.code == 0
    for word in (
        "6 other benches of the shop", "3 tight soaks", "cells of kind iio, 2000 g: 6 others",
        "12 others count", "fewer than three tight ones",
    ):  # fmt: skip
        assert word in done.out.replace("\n", " "), word
    assert done.out.count("tight soaks,") == 6


def test_it_can_be_read_by_scripts(desk):
    found = json.loads(desk("learnt", "--json").out)
    assert found["schema"] == "soakmon.learnt/1"
    assert found["fleet"]["benches"] == 6
    assert 0.6 < found["fleet"]["ratio"] < 0.95
    assert [one["tight"] for one in found["benches"]] == [3] * 6
    assert found["cells"]["of_kind"]["cells"] == 6
    assert len(found["gates"]["of_kind"]["by_hour"]) == 24
    assert {one["field"] for one in found["parts"]} >= {"bowl_gasket_renewed"}


def test_the_shop_moves_the_odds_of_a_running_soak_and_of_no_recorded_run(desk):
    number = desk(
        "job", "new", "--customer", "invented", "--machine", "750", "--rack", "one", "--carbs", "1"
    ).out.strip()  # fmt: skip
    desk("job", "carb", number, "1", "bowl_gasket_renewed=yes")
    seen = [{"carb": 1, "parts": {"bowl_gasket_renewed": True}, "chances": {JOINT: 0.3}}]
    with Records(desk.folder) as records:
        for bench in range(30, 36):
            keep(records, bench, [0.8] * 20, causes=seen)
    when = datetime.now(UTC)
    running = context_for(desk.folder, number, 1, when, Bench())
    recorded = context_for(desk.folder, number, 1, when, Bench(), taught=False)
    assert recorded.shifts[1].factor[Cause(JOINT)] == 0.7
    assert running.shifts[1].factor[Cause(JOINT)] == pytest.approx(1.0, abs=0.03)
    assert "120 such carburettors of the shop" in running.shifts[1].because[0]
    assert recorded.fleet == FleetPrior()
    assert "bowl_gasket_renewed = True, 120 carburettors" in desk("learnt").out


def test_the_soaks_of_the_shop_are_read_once_for_all_that_they_teach(desk):
    asked: list[str] = []

    def note(_connection, _cursor, statement, *_rest) -> None:
        asked.append(statement)

    number = desk("job", "new", "--customer", "invented", "--carbs", "1").out.strip()
    event.listen(Engine, "before_cursor_execute", note)
    try:
        learnt_by(desk.folder, Bench(), invented=False)
        context_for(desk.folder, number, 1, datetime.now(UTC), Bench())
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    assert sum("of_evaporation" in one for one in asked) == 2  # one of each


def test_without_records_it_says_so(tmp_path):
    done = Desk(tmp_path / "nowhere")("learnt")
    assert done.code == 2
    assert "no job records" in done.err
