"""Bench tests step by step on the control API, on a simulated bench stepped by hand."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from sim.scenarios import SCENARIOS
from soakmon.bench.api import add_refusals
from soakmon.bench.guide_api import FILE, GuideDesk, add_guides
from soakmon.bench.ports import Edge
from soakmon.errors import InputError
from soakmon.weigh.guided import TESTS
from tests.bench.stepping import Stepped, short


class Guides:
    """The routes of a service, as a client sees them; `kept` is what was to be kept."""

    def __init__(self, folder) -> None:
        self.bench = Stepped(folder, SCENARIOS["dry-rack"], bench=short())
        self.bench.service.sampling.read_air()
        self.bench.run(10 / 3600)
        self.kept = []
        self.refuse = ""
        self.open()

    def open(self) -> None:
        """As after a start of the service."""
        app = FastAPI()
        add_refusals(app)
        add_guides(app.router, GuideDesk(self.bench.service, self.keep))
        self.client = TestClient(app)

    def keep(self, said, job) -> None:
        if self.refuse:
            raise InputError(self.refuse)
        self.kept.append((said, job))

    def begin(self, test, job=None):
        return self.client.post("/bench-test", json={"test": test, "job": job})

    def answer(self, value=None, *, take=False):
        return self.client.post("/bench-test/answer", json={"value": value, "take": take})


@pytest.fixture
def guides(tmp_path):
    made = Guides(tmp_path)
    yield made
    made.bench.journal.close()


ANSWERS: dict[str, list[Any]] = {
    "calibration": [1000, None, 0.01, 0, 500, 1e6, 1000, 2e6, None, 1e6, 0, None, None],
    "daily": [1000, 500, None, 0, 500.02],
    "drain": [20, 50, 80, 50, 80.02, 50, 80.01, 50, 80],
    "shots": [20, None, *[10, 14.8, None] * 4],
    "float": [12, None, 12.0, None] * 4,
    "isolation": [30, 0, 0, 0, 0, 30, 0, 0, 0, 0],
    "straw": [4, 8, 9, 7, 6],
    "still": [5, 0.01, 0, 0.1],
    "drip": [2, 20, 450, 0.5, 60, 30, 448.8, 21.2, None, 20, 0],
    "blank": [0.0, 450.0, None, 449.2, None, 24, 20],
}


@pytest.mark.parametrize("test", TESTS)
def test_every_test_goes_step_by_step_to_its_result(guides, test):
    assert test in guides.client.get("/bench-test/kinds").json()
    state = guides.begin(test, "2026-0001").json()
    for value in ANSWERS[test]:
        assert state["question"]["text"], state
        state = guides.answer(value).json()
    assert state["question"] is None
    assert state["result"]["passed"], state
    ((said, job),) = guides.kept
    assert job == "2026-0001"
    assert said.data["readings" if test not in {"daily", "blank", "straw", "still"} else "form"]
    assert guides.client.get("/bench-test").json()["test"] is None


def test_the_bench_answers_what_it_can(guides):
    guides.begin("daily")
    for value in (1000, 500, None, 0):
        guides.answer(value)
    taken = guides.answer(take=True).json()
    said = taken["result"]
    assert not said["passed"]
    mass_g = guides.bench.service.readings.weigh().mass_g
    assert f"{mass_g - 500:+.3f} ± " in said["summary"]
    guides.begin("daily")
    assert "cannot answer" in guides.answer(take=True).json()["problem"]


def test_a_cell_that_moves_is_waited_for(guides):
    guides.begin("drain")
    guides.answer(20)
    guides.bench.simulation.zero_counts += 30 / 0.0005
    guides.bench.run(3 / 3600)
    refused = guides.answer(take=True)
    assert refused.status_code == 409
    assert "still moves" in refused.json()["problem"]
    guides.bench.run(6 / 3600)
    assert guides.answer(take=True).json()["answers"] == 2


def test_it_outlives_a_restart_and_a_blank_run_knows_its_hours(guides, tmp_path):
    guides.begin("blank")
    guides.answer(0.0)
    guides.answer(take=True)
    guides.answer()
    guides.bench.clock.sleep(8 * 3600)
    guides.bench.run(10 / 3600)
    guides.open()
    state = guides.client.get("/bench-test").json()
    assert (state["test"], state["answers"]) == ("blank", 3)
    guides.answer(take=True)
    guides.answer()
    assert guides.answer(take=True).json()["question"]["source"] == "air_c"
    done = guides.answer(take=True).json()
    assert "result" in done or "too small" in done["problem"]
    form = guides.kept[0][0].data["form"] if guides.kept else {"hours": 8.0}
    assert form["hours"] == pytest.approx(8.0, abs=0.02)


def test_an_answer_is_taken_back_and_a_test_given_up(guides, tmp_path):
    guides.begin("drain")
    guides.answer(20)
    guides.answer(50)
    assert guides.client.post("/bench-test/back").json()["answers"] == 1
    assert "under way" in guides.begin("daily").json()["problem"]
    guides.client.delete("/bench-test")
    assert not (tmp_path / FILE).exists()
    assert "no bench test" in guides.answer(1).json()["problem"]
    assert guides.begin("nonsense").status_code == 422
    assert guides.begin("daily", "../../x").status_code == 422


def test_what_cannot_be_judged_or_kept_asks_the_last_question_again(guides):
    guides.begin("daily", "2026-0099")
    for value in (1000, 500, None, 0):
        guides.answer(value)
    guides.refuse = "there is no job 2026-0099"
    assert "no job" in guides.answer(500).json()["problem"]
    guides.refuse = ""
    assert guides.answer(500).json()["result"]["passed"]


def test_a_soak_has_the_cell_for_itself(guides):
    guides.bench.start()
    assert "a soak is running" in guides.begin("drain").json()["problem"]


def flick(guides, gate, t_ms=8.0, times=1):
    """Somebody flicks a straw through a beam."""
    bench = guides.bench
    parts, told = bench.service.sampler.parts.gates, bench.simulation.new_edges
    now_s = bench.clock.boot_s()
    flicked = [
        Edge(gate, now_s + 0.2 * k + (t_ms / 1e3 if end else 0.0), blocked=not end)
        for k in range(times)
        for end in (False, True)
    ]
    parts.bench.new_edges = lambda: [flicked.pop(0) for _ in range(len(flicked))] + told()
    bench.run(3 / 3600)


def test_a_straw_at_each_gate_is_told_from_one_at_the_wrong_gate(guides):
    guides.begin("straw")
    guides.answer(4)
    assert "counted nothing yet" in guides.answer(take=True).json()["problem"]
    flick(guides, 2)
    assert "gate 3 counted instead of gate 1" in guides.answer(take=True).json()["problem"]
    guides.bench.clock.sleep(60)
    state = guides.client.post("/bench-test/back").json()
    guides.answer(4)
    flick(guides, 0, times=2)
    assert "counted 2 times" in guides.answer(take=True).json()["problem"]
    guides.client.post("/bench-test/back")
    guides.bench.run(2 / 3600)
    guides.answer(4)
    for gate in range(4):
        flick(guides, gate, 8.0 + gate)
        state = guides.answer(take=True).json()
    assert state["result"]["passed"], state
    assert guides.kept[0][0].data["form"]["dark_ms"] == pytest.approx([8, 9, 10, 11], abs=0.1)


def test_a_bench_at_rest_is_looked_at_for_as_long_as_was_said(guides):
    guides.begin("still")
    guides.answer(5)
    guides.bench.run(100 / 3600)
    assert "of 5 minutes have passed" in guides.answer(take=True).json()["problem"]
    guides.bench.run(210 / 3600)
    for _ in range(3):
        state = guides.answer(take=True).json()
    assert state["result"]["passed"], state
    form = guides.kept[0][0].data["form"]
    assert 0.001 < form["noise_g"] < 0.2
    assert form["swing_g"] == 0.0


def test_a_known_leak_is_held_against_what_the_bench_says(guides):
    guides.begin("drip")
    guides.answer(1)
    guides.answer(20)
    assert "cell" not in guides.answer(take=True).json().get("problem", "")
    began_g = guides.bench.service.readings.weigh().mass_g
    for _ in range(3):
        flick(guides, 0)
    assert guides.answer(take=True).json()["answers"] == 4  # the first count
    assert guides.answer(take=True).json()["answers"] == 5  # drops
    assert guides.answer(take=True).json()["answers"] == 6  # minutes
    guides.answer(began_g - 1.0)
    guides.answer(21.0)
    guides.answer(None)
    state = guides.answer(0).json()
    assert state["result"]["passed"], state
    ((said, _),) = guides.kept
    (rate,) = said.data["readings"]
    assert rate["g_per_drop"] == pytest.approx(1 / 3)
    assert rate["share"] == pytest.approx(1.0, abs=0.01)
    assert "this bench found" in said.summary
