"""A whole simulated bench with all outlets on: everything arrives, and nothing holds it up."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from soakmon.bench.client import Client
from tests.bench.test_api import wait
from tests.reach.broker import Broker, Ear
from tests.reach.database import TOKEN, Database
from tests.reach.targets import HangingTarget, HttpTarget

ROOT = Path(__file__).parent.parent.parent
MAIN = [sys.executable, "-c", "from soakmon.cli import main; main()"]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def soakmon(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*MAIN, *arguments], cwd=folder, env=environment(), capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", TOKEN)
    broker = Broker(tmp_path).start()
    shop: dict[str, Any] = {"broker": broker, "ear": Ear(broker, tmp_path)}
    shop |= {"database": Database(), "phone": HttpTarget()}
    (tmp_path / "urls").write_text(f"json://127.0.0.1:{shop['phone'].port}/secret-path-31\n")
    (tmp_path / "bench.toml").write_text(
        f"""
        [mqtt]
        enabled = true
        host = "127.0.0.1"
        port = {broker.port}
        [influx]
        enabled = true
        url = "{shop["database"].url}"
        [phone]
        enabled = true
        urls_file = "urls"
        time_zone = "UTC"
        quiet_from = "00:00"
        quiet_to = "00:00"
        """
    )
    yield shop
    for one in shop.values():
        if not isinstance(one, Broker):
            one.close()
    broker.kill()


@contextmanager
def serving(folder: Path, scenario: str, *more: str):
    """The service in a process of its own; its client. Its log is serve.log."""
    arguments = ["serve", "--simulated", scenario, "--pace", "60", "--data", "data", *more]
    command = [*MAIN, *arguments, "--bench", "bench.toml"]
    with (
        (folder / "serve.log").open("wb") as log,
        subprocess.Popen(command, cwd=folder, env=environment(), stderr=log) as process,
    ):
        try:
            path = folder / "data" / "control.sock"
            client = Client(path)
            wait(lambda: path.exists() and client.get("/status").get("mass_g") is not None)
            yield client
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        finally:
            process.kill()


def test_a_flood_reaches_everybody(shop, tmp_path):
    ear, phone, points = shop["ear"], shop["phone"], shop["database"].points
    job = soakmon(tmp_path, "job", "new", "--customer", "invented", "--data", "data").stdout.strip()
    with serving(tmp_path, "needle-stuck-open") as client:
        client.post("/soak", {"title": "invented rack", "job": job, "cautions_confirmed": True})
        wait(lambda: client.get("/status")["phase"] == "isolating")
        wait(lambda: ear.on("soakmon/bench/alarms") and phone.got)
        client.post("/acknowledge")
        client.post("/end", {"reason": "seen enough"})
        wait(lambda: any("invented rack" in message["title"] for message in phone.got))
        wait(lambda: any(series.startswith("soak_verdict") for series, _ in points))
        wait(lambda: ear.on("soakmon/bench/verdict"))
        wait(lambda: all(one["lag"] == 0 for one in client.get("/health")))
        doctor = soakmon(tmp_path, "doctor", "--socket", str(client.path))
    assert doctor.returncode == 0, doctor.stdout
    assert [line.split()[1] for line in doctor.stdout.splitlines()[1:]] == ["up"] * 3
    alarm = ear.on("soakmon/bench/alarms")[0]
    assert (alarm["kind"], alarm["carb"]) == ("flood", 3)
    assert phone.got[0]["title"] == "FLOOD, carb 3: bench"
    assert "has shut the feed" in phone.got[0]["message"]
    assert any("bench=bench" in series and f"job={job}" in series for series, _ in points)
    wait(lambda: ear.on("soakmon/bench/availability")[-1]["state"] == "offline")
    assert "secret-path" not in (tmp_path / "serve.log").read_text() + doctor.stdout
    again = dict(points)
    told = soakmon(tmp_path, "influx", "backfill", job, "--data", "data")
    assert told.returncode == 0, told.stderr
    assert {key: points[key] for key in again} == again


def test_the_bench_runs_when_nothing_outside_does(shop, tmp_path, monkeypatch):
    shop["broker"].kill()
    monkeypatch.delenv("SOAKMON_INFLUX_TOKEN")
    (tmp_path / "urls").unlink()
    with serving(tmp_path, "gasket-weep") as client:
        client.post("/soak", {"title": "invented rack", "cautions_confirmed": True})
        wait(lambda: client.get("/status")["phase"] == "filling")
        wait(lambda: all(one["state"] == "down" for one in client.get("/health")))
        doctor = soakmon(tmp_path, "doctor", "--socket", str(client.path))
    assert doctor.returncode == 3
    for words in ("no connection", "no token", "phone.urls_file: urls"):
        assert words in doctor.stdout
    assert "Traceback" not in (tmp_path / "serve.log").read_text()


def test_an_address_that_hangs_holds_up_neither_others_nor_the_end(tmp_path):
    hanging, phone = HangingTarget(), HttpTarget()
    (tmp_path / "bench.toml").write_text(
        f"""
        [phone]
        enabled = true
        urls = ["json://127.0.0.1:{hanging.port}/a", "json://127.0.0.1:{phone.port}/b"]
        """
    )
    try:
        with serving(tmp_path, "needle-stuck-open") as client:
            client.post("/soak", {"title": "invented rack", "cautions_confirmed": True})
            wait(lambda: phone.got and hanging.taken)
            wait(lambda: "has waited" in client.get("/health")[-1]["last_error"])
            assert client.get("/health")[-1]["state"] == "down"
            began_s = time.monotonic()
        assert time.monotonic() - began_s < 5
    finally:
        hanging.close()
        phone.close()
    assert "FLOOD" in phone.got[0]["title"]


def test_alert_test(shop, tmp_path):
    told = soakmon(tmp_path, "alert", "test")
    assert told.returncode == 0
    assert [message["title"] for message in shop["phone"].got] == [
        "TEST: FLOOD, carb 2: bench", "TEST: Weep, carb 2: bench",
        "TEST: Trouble with the load cell: bench", "TEST: TIGHT: no leak found: invented rack",
    ]  # fmt: skip
    assert all(m["message"].startswith("This is a test") for m in shop["phone"].got)
    shop["phone"].status = 500
    told = soakmon(tmp_path, "alert", "test")
    assert told.returncode == 3
    assert "FAILED" in told.stdout
    assert "secret-path" not in told.stdout + told.stderr
