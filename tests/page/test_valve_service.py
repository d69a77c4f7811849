"""The page's trial of the valve with a service that is really stopped and killed.

Processes of its own: a simulated bench behind files, as in tests.arm, the service on mock pins
before it, and the program that systemd runs after every end of the service. In real time: what is
off must be off for half a minute.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from soakmon.cautions import CAUTIONS
from soakmon.page.door import Door
from soakmon.page.store import Role, Store
from tests.page.served import PASSWORD, ROOT, free_port

BENCH = """[page]
on = true
port = {port}
[cell]
driver = "iio"
iio_path = "{system}/bus/iio/devices/iio:device0/in_voltage0_raw"
g_per_count = 0.0005
[thermometer]
driver = "none"
[panel]
fitted = false
[service]
data_folder = "{folder}/data"
socket = "{folder}/control.sock"
"""
ON_MOCK_PINS = "import tests.arm.mock_pins; "
OFF_S = 26.0


class Real:
    """The processes; each is ended by its own id."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        self.run, self.system = folder / "run", folder / "sys"
        self.environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1",
            "SOAKMON_TEST_BENCH": str(self.run), "SOAKMON_TEST_SYS": str(self.system),
        }  # fmt: skip
        self.toml = folder / "bench.toml"
        self.toml.write_text(
            BENCH.format(port=self.port, system=self.system, folder=folder), encoding="utf-8"
        )
        (folder / "data").mkdir()
        self.world = self.process("-m", "tests.arm.world", "dry-rack")
        self.wait_for((self.run / "load").exists)
        # The hose ends in a jar: with the feed open it runs, whatever the rack takes.
        (self.run / "load").write_text("bottle jar", encoding="ascii")
        self.service: subprocess.Popen[bytes] | None = None
        self.client = httpx.Client(base_url=f"http://127.0.0.1:{self.port}", timeout=30)
        self.start()
        store = Store(folder / "data" / "page.db", 3600.0)
        store.set_account("ada", Role.RUN, Door(store).hash(PASSWORD))
        store.close()
        answer = self.client.post("/api/sign-in", json={"name": "ada", "password": PASSWORD})
        self.client.headers["X-CSRF-Token"] = answer.json()["csrf"]

    def process(self, *words: str) -> subprocess.Popen[bytes]:
        with (self.folder / "out.txt").open("ab") as out:
            return subprocess.Popen(
                [sys.executable, *words], env=self.environment, cwd=self.folder,
                stdout=out, stderr=out,
            )  # fmt: skip

    def start(self) -> None:
        command = f"{ON_MOCK_PINS}from soakmon.cli import main; main()"
        self.service = self.process("-c", command, "serve", "--bench", str(self.toml))
        self.wait_for(self.answers)

    def answers(self) -> bool:
        assert self.service is not None
        assert self.service.poll() is None, (self.folder / "out.txt").read_text(encoding="utf-8")
        try:
            return self.client.get("/sign-in").status_code in {200, 303}
        except httpx.HTTPError:
            return False

    def wait_for(self, come, within_s: float = 120.0) -> None:
        until_s = time.monotonic() + within_s
        while not come():
            assert time.monotonic() < until_s, (self.folder / "out.txt").read_text(encoding="utf-8")
            time.sleep(0.2)

    def state(self) -> dict:
        return self.client.get("/api/commissioning").json()

    def flows(self) -> None:
        """Wait until the trial of a way may begin."""
        self.wait_for(self.feed_open, 300.0)
        # The flow is looked at over the last twenty seconds.
        time.sleep(22)

    def feed_open(self) -> bool:
        status = self.client.get("/api/live").json()["status"]
        assert status["phase"] != "ended", status
        return bool(status.get("feed_open"))

    def arm(self, way: str) -> None:
        def armed() -> bool:
            answer = self.client.post("/api/commissioning/valve", json={"way": way})
            assert answer.status_code in {200, 409}, answer.text
            return answer.status_code == 200 and answer.json()["waiting"] == way

        self.wait_for(armed)
        assert self.state()["open_g_per_min"] > 15
        time.sleep(2)

    def gone(self, number: int, *, shut: bool) -> None:
        """The service goes, the program that shuts the valve runs or does not, and it is back."""
        assert self.service is not None
        self.service.send_signal(number)
        self.service.wait(30)
        if shut:
            shuts = f"{ON_MOCK_PINS}from hardware.shut_valve import main; import sys"
            ran = self.process("-c", f"{shuts}; sys.exit(main(sys.argv[1:]))", str(self.toml))
            assert ran.wait(60) == 0
        time.sleep(OFF_S)
        self.start()

    def found(self, way: str) -> dict:
        (one,) = (one for one in self.state()["valve"] if one["way"] == way)
        return one["found"]

    def end(self) -> None:
        for process in (self.service, self.world):
            if process is not None and process.poll() is None:
                process.kill()
                process.wait()
        self.client.close()


@pytest.fixture
def real(tmp_path):
    bench = Real(tmp_path)
    yield bench
    bench.end()


@pytest.mark.waits
def test_the_page_tells_a_valve_that_shuts_from_one_that_does_not(real):
    begun = real.client.post(
        "/api/soak", json={"title": real.state()["title"], "confirmed": list(CAUTIONS)}
    )
    assert begun.status_code == 200, begun.text
    real.flows()
    real.arm("stopped")
    real.gone(signal.SIGTERM, shut=True)
    assert real.found("stopped")["passed"], real.found("stopped")
    assert "it shuts" in real.found("stopped")["text"]
    real.flows()
    real.arm("killed")
    real.gone(signal.SIGKILL, shut=True)
    assert real.found("killed")["passed"], real.found("killed")
    # The same, and nobody shuts the valve: a pin that keeps its level leaves it open.
    real.flows()
    real.arm("killed")
    real.gone(signal.SIGKILL, shut=False)
    assert real.found("killed")["passed"] is False
    assert "IT DOES NOT SHUT" in real.found("killed")["text"]
    kept = real.client.post("/api/commissioning/record", json={}).json()
    assert kept["summary"].startswith("NOT GOOD: ")
