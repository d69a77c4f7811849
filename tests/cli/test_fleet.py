"""`soakmon fleet`: all benches of a broker for terminal, script and wall screen."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time

import httpx
import pytest

from tests.desk import Desk
from tests.page.served import PASSWORD, free_port
from tests.reach.broker import say


def payload(**values) -> str:
    now = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime())
    return json.dumps({"taken_at": now} | values)


@pytest.fixture
def hall(tmp_path, broker, monkeypatch):
    """Two benches, of which one has an alarm; the desk of somebody without a bench."""
    say(broker, "soakmon/left/phase", payload(phase="soaking"), "-r")
    waiting = [{"kind": "weep", "carb": 2, "text": "leak at\u001b[31m carb 2"}]
    seen = [{"kind": "bench", "carb": None, "text": "x", "by": "ada"}]
    state = payload(alarms_waiting=1, waiting=waiting, acknowledged=seen, left_s=3600)
    say(broker, "soakmon/left/state", state, "-r")
    say(broker, "soakmon/north/right/phase", payload(phase="idle"), "-r")
    (tmp_path / "hall.toml").write_text(f"[mqtt]\nenabled = true\nport = {broker.port}\n")
    monkeypatch.chdir(tmp_path)
    return Desk(tmp_path)


def ended(process: subprocess.Popen[str]) -> int:
    """Its exit code; one that does not end fails the test, and does not hold it up."""
    try:
        return process.wait(20)
    finally:
        process.kill()


def test_a_terminal_shows_the_worst_first(hall, broker):
    done = hall("fleet", "--bench", "hall.toml")
    assert done.code == 3, done.err
    lines = done.out.splitlines()
    assert "2 benches: 1 waiting, 1 idle; shown 1 to 2 of 2" in re.sub(r"\s+", " ", done.out)
    rows = [line.split()[0] for line in lines if line.startswith(("left", "north/right"))]
    assert rows == ["left", "north/right"]
    assert "ada" in done.out
    assert "\x1b" not in done.out


def test_a_script_reads_json_and_the_exit_code(hall, broker):
    address = f"mqtt://127.0.0.1:{broker.port}"
    done = hall("fleet", "--broker", address, "--json")
    assert done.code == 3
    found = json.loads(done.out)
    assert found["schema"] == "soakmon.fleet/1"
    assert [one["name"] for one in found["benches"]] == ["left", "right"]
    assert found["benches"][0]["state"]["acknowledged"][0]["by"] == "ada"
    done = hall("fleet", "NORTH", "--broker", address, "--json")
    assert done.code == 0
    assert [one["name"] for one in json.loads(done.out)["benches"]] == ["right"]
    done = hall("fleet", "--broker", address, "--json", "--most", "1", "--page", "2")
    assert [one["name"] for one in json.loads(done.out)["benches"]] == ["right"]


def test_what_it_cannot_do_it_says(hall, broker, tmp_path):
    for words, code, text in [
        ((), 2, "name the broker"),
        (("--broker", "http://x"), 2, "is an address such as"),
        (("--broker", "mqtt://x:y"), 2, "is an address such as"),
        (("--broker", "mqtt://ada:secret@x"), 2, "SOAKMON_MQTT_PASSWORD"),
        (("--broker", "mqtt://127.0.0.1:1"), 2, "no connection"),
        (("--bench", "hall.toml", "--show", "some"), 2, "all, needs or running"),
    ]:
        done = hall("fleet", *words)
        assert done.code == code, (words, done.err)  # the desk has one code for all that is told
        assert text in done.err
        assert "secret" not in done.err


def test_an_empty_broker_is_not_well(tmp_path, broker):
    done = Desk(tmp_path)("fleet", "--broker", f"mqtt://127.0.0.1:{broker.port}")
    assert done.code == 3
    assert "no bench is heard there" in done.out


def test_watching_prints_a_line_each_time(hall, broker):
    command = [
        sys.executable, "-m", "soakmon", "fleet", "--broker", f"mqtt://127.0.0.1:{broker.port}",
        "--watch", "--json",
    ]  # fmt: skip
    # As a shell starts what runs beside it: with Ctrl-C ignored.
    beside = ["sh", "-c", "trap '' INT; exec \"$@\"", "sh", *command]
    with subprocess.Popen(beside, stdout=subprocess.PIPE, text=True) as process:
        try:
            first = json.loads(process.stdout.readline())
            say(broker, "soakmon/left/state", payload(alarms_waiting=0), "-r")
            assert first["standings"] == {"waiting": 1, "idle": 1}
            for _ in range(5):
                last = json.loads(process.stdout.readline())
                if "waiting" not in last["standings"]:
                    break
            assert last["standings"] == {"running": 1, "idle": 1}
        finally:
            process.send_signal(signal.SIGINT)
            ended(process)


def test_a_wall_screen_without_a_bench(hall, broker, tmp_path):
    port = free_port()
    with (tmp_path / "hall.toml").open("a") as file:
        file.write(f"[page]\nport = {port}\n")
    (tmp_path / "data").mkdir()
    made = hall("page", "account", "wall", "--data", "data", stdin=f"{PASSWORD}\n{PASSWORD}\n")
    assert made.code == 0, made.err
    command = [
        sys.executable, "-m", "soakmon", "fleet", "--serve", "--bench", "hall.toml",
        "--data", "data",
    ]  # fmt: skip
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert f"page at http://127.0.0.1:{port}" in process.stdout.readline()
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
                body = {"name": "wall", "password": PASSWORD}
                assert client.post("/api/sign-in", json=body).is_success
                found = client.get("/api/benches").json()
                assert [one["name"] for one in found["benches"]] == ["left", "right"]
        finally:
            process.send_signal(signal.SIGTERM)
            assert ended(process) == 0
