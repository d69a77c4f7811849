"""Bench tests through the API, and benches known from the broker."""

from __future__ import annotations

import asyncio
import json
import time

import pytest

from soakmon.page.fleet_routes import listen
from soakmon.reach.fleet import Fleet
from tests.reach.broker import Broker, say

STEPS = [
    {"mass_g": mass_g, "reading": 1000 * mass_g + 5, "up": up}
    for up, masses in ((True, (0, 200, 400, 600)), (False, (400, 200, 0)))
    for mass_g in masses
]
FORMS = {
    "calibration": ({"capacity_g": 1000, "steps": STEPS}, "passed"),
    "daily": ({"capacity_g": 1000, "mass_g": 500, "reading_g": 503}, "calibrate the cell"),
    "blank": ({"hours": 8, "air_c": 20, "before_g": [500], "after_g": [499.2]}, "bottle and hose"),
    "drain": ({"cups_g": [[20, 50], [20, 50], [20, 50], [20, 44]]}, "levels differ"),
    "shots": ({"strokes": 20, "series_g": [[[20, 30]], [[20, 30.1]]]}, "spread"),
    "floats": ({"floats": [{"carb": 2, "dry_g": [9.1], "soaked_g": [9.9]}]}, "carb 2"),
}


@pytest.mark.parametrize("name", FORMS)
def test_a_bench_test_is_judged_and_kept_with_its_job(paged, name):
    runner = paged.signed_in("run")
    job = runner.post("/api/jobs", json={"customer": "invented"}).json()["number"]
    form, told = FORMS[name]
    said = runner.post(f"/api/bench-tests/{name}", json={"job": job, "form": form})
    assert said.status_code == 200, said.text
    assert told in said.json()["summary"]
    assert said.json()["lines"]
    own = runner.post(f"/api/bench-tests/{name}", json={"form": form})
    assert own.json() == said.json()
    kept = paged.signed_in("look").get("/api/bench-tests").json()
    assert [one["job"] for one in kept] == [None, job]
    results = runner.get(f"/api/jobs/{job}").json()["results"]
    assert [one["summary"] for one in results] == [said.json()["summary"]]


def test_forms_that_cannot_be_judged_say_why_and_keep_nothing(paged):
    runner = paged.signed_in("run")
    short = {"form": FORMS["blank"][0] | {"hours": 2}}
    answer = runner.post("/api/bench-tests/blank", json=short)
    assert answer.status_code == 422
    assert "needs 6 hours" in answer.json()["problem"]
    unknown = {"job": "1999-0001", "form": FORMS["drain"][0]}
    assert runner.post("/api/bench-tests/drain", json=unknown).status_code == 404
    assert runner.get("/api/bench-tests").json() == []


def test_a_steady_reading_is_a_mean_of_the_cell(paged):
    found = paged.signed_in("look").get("/api/weigh/steady", params={"over_s": 1}).json()
    scale = paged.service.scale
    assert found["readings"] >= 3
    assert found["scatter_g"] < 1
    assert abs(scale.grams(found["counts"]) - found["mass_g"]) < 1e-3
    assert abs(found["mass_g"] - paged.service.status["mass_g"]) < 5


def test_without_a_broker_only_this_bench_is_listed(paged):
    found = paged.signed_in("look").get("/api/benches").json()
    assert found["broker"] == "off"
    (own,) = found["benches"]
    assert own["name"] == found["own"] == "bench"
    assert own["phase"]["phase"] == "idle"


async def test_other_benches_come_from_the_broker_with_the_age_of_each_value(paged, tmp_path):
    """Retained values are as old as they say, live ones new; a broker that dies is told."""
    broker = Broker(tmp_path).start()
    mqtt = paged.service.bench.mqtt.model_copy(update={"enabled": True, "port": broker.port})
    paged.service.bench = paged.service.bench.model_copy(update={"mqtt": mqtt})
    fleet: Fleet = paged.app.state.fleet

    def told(**values):
        return json.dumps({"taken_at": "2020-01-01T00:00:00+00:00"} | values)

    say(broker, "soakmon/far/phase", told(phase="soaking", reason="<b>x</b>"), "-r")
    say(broker, "soakmon/far/verdict", told(verdict="leaking", reason="leak at carb 2"), "-r")
    say(broker, "soakmon/bench/phase", told(phase="soaking"), "-r")
    task = asyncio.create_task(listen(paged.service, fleet))
    try:
        await until(lambda: len(fleet.benches.get("far", {})) == 2)
        await asyncio.to_thread(say, broker, "soakmon/far/state", told(alarms_waiting=1))
        await until(lambda: "state" in fleet.benches["far"])
        client = paged.signed_in("look")
        found = client.get("/api/benches").json()
        assert found["broker"] == "up"
        assert [one["name"] for one in found["benches"]] == ["bench", "far"]
        own, far = found["benches"]
        assert own["phase"]["phase"] == "idle"  # from the service itself
        assert far["verdict"]["verdict"] == "leaking"
        assert far["verdict"]["age_s"] > 86400
        assert far["state"] == {"alarms_waiting": 1, "age_s": far["state"]["age_s"]}
        assert far["state"]["age_s"] < 60
        broker.kill()
        await until(lambda: not fleet.connected and fleet.trouble)
        found = client.get("/api/benches").json()
        assert found["broker"] == "down"
        assert found["trouble"]
        assert found["benches"][1]["verdict"]["verdict"] == "leaking"
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        broker.kill()


async def until(come, within_s: float = 10.0) -> None:
    end_s = time.monotonic() + within_s
    while not come():
        assert time.monotonic() < end_s, "it has not come"
        await asyncio.sleep(0.02)
