"""A bench with its page in this process: threads run, time is simulated."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.app.commission_desk import CommissionDesk
from soakmon.app.keep_results import records_port
from soakmon.app.report_queue import ReportQueue
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.page.app import build_page
from soakmon.page.door import Door
from soakmon.page.store import Role, Store
from soakmon.records.journal import Journal
from tests.chromium import chromium
from tests.page.looking import PHONE, opened, sign_in
from tests.page.served import PASSWORD, ServedBench
from tests.reach.broker import Broker, say

HERE, ELSEWHERE = "192.168.1.20", "203.0.113.9"


class Time:
    """Time that a test sets."""

    def __init__(self) -> None:
        self.now_s = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Paged:
    app: FastAPI
    service: Service
    reports: ReportQueue
    store: Store
    time: Time
    desk: GuideDesk
    commissioner: CommissionDesk

    @property
    def door(self) -> Door:
        return self.app.state.door

    def client(self, address: str = HERE, base: str = "http://bench.local") -> TestClient:
        return TestClient(
            self.app, base, client=(address, 4711), follow_redirects=False,
            raise_server_exceptions=False,
        )  # fmt: skip

    def signed_in(self, name: str, address: str = HERE) -> TestClient:
        """A browser of that account, with its CSRF token."""
        client = self.client(address)
        answer = client.post("/api/sign-in", json={"name": name, "password": PASSWORD})
        assert answer.status_code == 200, answer.text
        visitor = self.store.session(client.cookies["soakmon"])
        client.headers["X-CSRF-Token"] = visitor.csrf
        return client

    def script(self, role: Role, address: str = HERE) -> TestClient:
        client = self.client(address)
        client.headers["Authorization"] = f"Bearer {self.store.make_token('script', role, 1)}"
        return client


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened


@pytest.fixture
def paged(tmp_path):
    """A page with the accounts run and look."""
    bench = Bench()
    clock = PacedClock(60, 1_800_000_000.0)
    gain = 1 / bench.cell.g_per_count
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, gain, 0.0, hours=2)
    journal = Journal(tmp_path / "journal.db")
    records = records_port(tmp_path, bench, invented=True)
    service = Service(
        bench, simulation.parts(), journal, boot="first boot", context_for=records.context_for
    )
    service.run()
    reports = ReportQueue(tmp_path)
    time = Time()
    store = Store(tmp_path / "page.db", 3600.0, time)
    desk = GuideDesk(service, records.keep)
    commissioner = CommissionDesk(service, "first boot")
    app = build_page(service, reports, desk, store=store, commissioner=commissioner)
    door = app.state.door
    door.now_s = door.addresses.now_s = door.names.now_s = time
    hashed = door.hash(PASSWORD)
    for role in Role:
        store.set_account(role.value, role, hashed)
    yield Paged(app, service, reports, store, time, desk, commissioner)
    service.stop()
    reports.close()
    store.close()
    journal.close()


@pytest.fixture(scope="module")
def far_broker(tmp_path_factory):
    started = Broker(tmp_path_factory.mktemp("broker")).start()
    yield started
    started.kill()


@pytest.fixture(scope="module")
def bench(tmp_path_factory, far_broker):
    """A bench on a broker that knows another one, with an account and a job."""
    kept = '{"taken_at": "2020-01-01T00:00:00+00:00", %s}'
    say(far_broker, "soakmon/far/phase", kept % '"phase": "soaking", "reason": ""', "-r")
    told = '"verdict": "leaking", "reason": "leak at carb 2, about 12 g/day"'
    say(far_broker, "soakmon/far/verdict", kept % told, "-r")
    more = f"[mqtt]\nenabled = true\nport = {far_broker.port}\n"
    made = ServedBench(tmp_path_factory.mktemp("bench"), "gasket-weep", 60, more=more)
    made.account("ada")
    yield made
    assert made.stop() == 0


@pytest.fixture
def phone(browser, bench):
    page = opened(browser, bench, PHONE, color_scheme="dark")
    sign_in(page)
    yield page
    assert page.faults == []
    page.context.close()
