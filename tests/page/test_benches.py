"""All benches on a bench's page, and on a page of their own: who looks subscribes, nobody else."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from soakmon.config import Bench
from soakmon.page.app import build_page
from soakmon.page.hall import build_hall
from soakmon.page.store import Role, Store
from tests.page.conftest import HERE
from tests.page.served import PASSWORD
from tests.reach.bench import until
from tests.reach.broker import Broker, say


def told(**values):
    return json.dumps({"taken_at": "2020-01-01T00:00:00+00:00"} | values)


def with_broker(paged, port: int):
    """The page of the same bench, which now has a broker."""
    mqtt = paged.service.bench.mqtt.model_copy(update={"enabled": True, "port": port})
    paged.service.bench = paged.service.bench.model_copy(update={"mqtt": mqtt})
    return build_page(paged.service, paged.reports, paged.desk, store=paged.store)


def looker(app, store: Store) -> httpx.AsyncClient:
    """A script that may look, in this event loop."""
    token = store.make_token("looker", Role.LOOK, 1)
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app, client=(HERE, 4711)),
        base_url="http://bench.local",
        headers={"Authorization": f"Bearer {token}"},
    )


def test_without_a_broker_only_this_bench_is_listed(paged):
    found = paged.signed_in("look").get("/api/benches").json()
    assert (found["broker"], found["total"], found["found"]) == ("off", 1, 1)
    (own,) = found["benches"]
    assert (own["name"], own["own"]) == ("bench", True)
    assert own["phase"]["phase"] == "idle"
    assert paged.app.state.fleet.listener is None


async def test_other_benches_come_from_the_broker_while_somebody_looks(paged, broker):
    """Retained values are as old as they say, live ones new; a broker that dies is told."""
    app = with_broker(paged, broker.port)
    desk = app.state.fleet
    say(broker, "soakmon/far/phase", told(phase="soaking", reason="<b>x</b>"), "-r")
    say(broker, "soakmon/far/verdict", told(verdict="leaking", reason="leak at carb 2"), "-r")
    say(broker, "soakmon/bench/phase", told(phase="soaking"), "-r")
    assert desk.listener is None  # nobody has looked
    async with looker(app, paged.store) as client:
        found = (await client.get("/api/benches")).json()
        assert found["broker"] == "up"
        assert [one["name"] for one in found["benches"]] == ["far", "bench"]  # worst first
        waiting = [{"kind": "weep", "carb": 2, "text": "leak at carb 2"}]
        state = told(alarms_waiting=1, waiting=waiting)
        await asyncio.to_thread(say, broker, "soakmon/far/state", state)
        await until(lambda: "state" in desk.fleet.benches["far"])
        far, own = (await client.get("/api/benches")).json()["benches"]
        assert own["phase"]["phase"] == "idle"  # from the service itself
        assert far["standing"] == "waiting"
        assert far["verdict"]["verdict"] == "leaking"
        assert far["verdict"]["age_s"] > 86400
        assert far["state"]["age_s"] < 60
        assert far["state"]["waiting"] == waiting
        only = (await client.get("/api/benches?words=carb+far&which=needs")).json()
        assert (only["found"], only["total"]) == (1, 2)
        second = (await client.get("/api/benches?first=1&most=1")).json()["benches"]
        assert [one["name"] for one in second] == ["bench"]
        assert (await client.get("/api/benches?most=0")).status_code == 422
        broker.kill()
        await until(lambda: desk.fleet.trouble)
        found = (await client.get("/api/benches")).json()
        assert found["broker"] == "down"
        assert found["trouble"]
        assert found["benches"][0]["verdict"]["verdict"] == "leaking"
        # The last one leaves.
        listener: Any = desk.listener
        listener.looked_s -= 100
        await until(lambda: not listener.listening)
        assert desk.fleet.benches == {}
    await desk.close()


async def test_a_stranger_does_not_make_a_page_listen(paged, broker):
    app = with_broker(paged, broker.port)
    async with looker(app, paged.store) as client:
        del client.headers["Authorization"]
        assert (await client.get("/api/benches")).status_code == 401
    assert app.state.fleet.listener is None


async def test_a_broker_that_passes_nothing_on_says_so(paged, tmp_path):
    (tmp_path / "rights").write_text("topic write soakmon/#\n")
    broker = Broker(tmp_path, f"allow_anonymous true\nacl_file {tmp_path / 'rights'}\n").start()
    try:
        app = with_broker(paged, broker.port)
        async with looker(app, paged.store) as client:
            found = (await client.get("/api/benches")).json()
        assert found["broker"] == "down"
        assert "may this bench read there" in found["trouble"]
        await app.state.fleet.close()
    finally:
        broker.kill()


@pytest.fixture
def hall(tmp_path, broker):
    described = Bench.model_validate({"mqtt": {"enabled": True, "port": broker.port}})
    store = Store(tmp_path / "page.db", 3600.0)
    yield build_hall(described, store)
    store.close()


async def test_a_page_without_a_bench_lists_all(hall, broker):
    say(broker, "soakmon/far/phase", told(phase="soaking"), "-r")
    say(broker, "soakmon/north/left/phase", told(phase="idle"), "-r")
    async with looker(hall, hall.state.store) as client:
        found = (await client.get("/api/benches")).json()
        assert [(one.get("shop"), one["name"]) for one in found["benches"]] == [
            (None, "far"), ("north", "left"),
        ]  # fmt: skip
        assert found["standings"] == {"silent": 1, "idle": 1}
        described = (await client.get("/api/openapi.json")).json()["paths"]
        assert set(described) == {"/api/benches", "/api/sign-in", "/api/set-up", "/api/sign-out"}
    await hall.state.fleet.close()


def test_it_asks_for_a_sign_in_and_shows_one_view(hall):
    client = TestClient(hall, "http://127.0.0.1", client=(HERE, 1), follow_redirects=False)
    assert client.get("/").headers["location"] == "/set-up"
    door = hall.state.door
    hall.state.store.set_account("wall", Role.LOOK, door.hash(PASSWORD))
    assert client.get("/").headers["location"] == "/sign-in?to=/"
    assert client.get("/api/benches").status_code == 401
    assert client.post("/api/sign-in", json={"name": "wall", "password": PASSWORD}).is_success
    page = client.get("/")
    assert page.status_code == 200
    assert "hall.js" in page.text
    assert "<nav" not in page.text
    assert client.get("/curve").status_code == 404
    assert client.get("/api/live").status_code == 404
    assert client.get("/manifest.webmanifest").json()["shortcuts"] == []
