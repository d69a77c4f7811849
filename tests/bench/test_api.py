"""The control API, over its socket, against a service with real threads."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from soakmon.bench.client import Client
from soakmon.errors import InputError

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture
def served(tmp_path):
    command = [
        sys.executable, "-c", "from soakmon.cli import main; main()",
        "serve", "--simulated", "needle-stuck-open", "--pace", "60", "--data", "data",
    ]  # fmt: skip
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, cwd=tmp_path, env=environment, stderr=subprocess.PIPE
    ) as process:
        path = tmp_path / "data" / "control.sock"
        client = Client(path)
        wait(lambda: path.exists() and client.get("/status").get("mass_g") is not None)
        yield client, path, process
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        assert not path.exists()


def wait(ready, seconds: float = 20.0):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            if ready():
                return
        except InputError:
            pass
        time.sleep(0.05)
    raise AssertionError("it did not come to pass")


def test_a_soak_by_command(served):
    client, path, _ = served
    assert path.stat().st_mode & 0o777 == 0o660
    with pytest.raises(InputError, match="cautions"):
        client.post("/soak", {"title": "invented rack", "cautions_confirmed": False})
    with pytest.raises(InputError, match="422"):
        client.post("/soak", {"title": "", "cautions_confirmed": True})
    with pytest.raises(InputError, match="no soak is running"):
        client.post("/isolate", {"reason": "x"})
    assert client.post("/soak", {"title": "invented rack", "cautions_confirmed": True}) == {
        "soak": 1
    }
    # On a slow machine the bench stands still for a while, and shuts the feed for that first.
    wait(lambda: 3 in {alarm["carb"] for alarm in client.get("/status")["alarms"]})
    wait(lambda: client.get("/status")["phase"] == "isolating")
    status = client.get("/status")
    assert not status["feed_open"]
    # On a slow machine a guard may see it in the bottle as well before anybody asks.
    assert 3 in {alarm["carb"] for alarm in status["alarms"]} <= {3, None}
    assert client.post("/acknowledge")["acknowledged"] >= 1
    # The guard is quicker than the decider, which wants to see some more of it.
    wait(lambda: client.get("/status")["t_s"] > status["t_s"] + 20.0)
    client.post("/end", {"reason": "seen enough"})
    wait(lambda: client.get("/status")["phase"] == "ended")
    assert client.get("/soaks")[0]["verdict"] == "leaking"
    kinds = [event["kind"] for event in client.get("/events", after=0)]
    assert kinds[0] == "phase"
    assert kinds[-2:] == ["verdict", "curve"]
    assert client.get("/weigh")["mass_g"] > 0
    paths = client.get("/openapi.json")["paths"]
    assert {"/status", "/soak", "/isolate", "/end", "/acknowledge", "/feed", "/weigh"} <= set(paths)


def test_without_a_service_the_client_says_so(tmp_path):
    with pytest.raises(InputError, match="no service there"):
        Client(tmp_path / "none.sock").get("/status")
