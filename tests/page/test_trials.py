"""Bench tests through the API, and benches known from the broker."""

from __future__ import annotations

import asyncio
import json
import time

from soakmon.page.fleet_routes import listen
from soakmon.reach.fleet import Fleet
from tests.reach.broker import Broker, say

DRAIN = [20, 20, 50, 20, 50, 20, 50, 20, 44]


def test_a_bench_test_is_guided_by_whoever_may_run_and_kept_with_its_job(paged):
    runner, looker = paged.signed_in("run"), paged.signed_in("look")
    job = runner.post("/api/jobs", json={"customer": "invented"}).json()["number"]
    assert looker.get("/api/bench-test").json()["test"] is None
    begun = runner.post("/api/bench-test", json={"test": "drain", "job": job}).json()
    assert "temperature of the fuel" in begun["question"]["text"]
    for number, value in enumerate(DRAIN):
        assert looker.get("/api/bench-test").json()["answers"] == number
        assert looker.post("/api/bench-test/answer", json={"value": 1}).status_code == 403
        found = runner.post("/api/bench-test/answer", json={"value": value}).json()
    assert found["question"] is None
    assert "levels differ" in found["result"]["summary"]
    (kept,) = looker.get("/api/results").json()
    assert (kept["kind"], kept["job"], kept["summary"]) == (
        "drain", job, found["result"]["summary"],
    )  # fmt: skip
    results = runner.get(f"/api/jobs/{job}").json()["results"]
    assert [one["summary"] for one in results] == [kept["summary"]]
    assert runner.post("/api/bench-test/back").status_code == 409


def test_a_test_for_a_job_that_there_is_not_says_so_and_keeps_nothing(paged):
    runner = paged.signed_in("run")
    runner.post("/api/jobs", json={"customer": "invented"})
    runner.post("/api/bench-test", json={"test": "drain", "job": "1999-0001"})
    for value in DRAIN:
        answer = runner.post("/api/bench-test/answer", json={"value": value})
    assert answer.status_code == 409
    assert "no job 1999-0001" in answer.json()["problem"]
    assert runner.delete("/api/bench-test").status_code == 200
    assert runner.get("/api/results").json() == []


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
