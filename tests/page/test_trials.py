"""Bench tests through the API."""

from __future__ import annotations

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
