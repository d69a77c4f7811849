"""The example deployment: the servers' own tools take its files, which agree with the program."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import tempfile
import time
import urllib.request
from contextlib import suppress
from pathlib import Path

import psycopg
import pytest
from compose_spec import PyCompose
from compose_spec.models import Service

import soakmon.enrol
from soakmon.enrol.broker_access import BrokerAccess
from soakmon.enrol.servers import read_servers
from soakmon.reach.hall_board import rules
from tests.hall.servers import wait_until
from tests.reach.broker import certificates, free_port, tool
from tests.reach.metrics import Metrics
from tests.records.jobs.scratch import scratch_server

FOLDER = Path(soakmon.enrol.__file__).parent / "example"
UNITS = sorted(FOLDER.glob("*.service"))


def test_the_example_of_servers_is_taken():
    servers = read_servers(FOLDER / "servers.toml")
    assert servers.store is not None
    assert servers.records is not None
    conf = (FOLDER / "mosquitto.conf").read_text()
    assert f"password_file {servers.broker.password_file}\n" in conf
    assert f"acl_file {servers.broker.access_file}\n" in conf
    assert f"listener {servers.broker.port}\n" in conf


def test_the_broker_takes_its_file_with_tls(tmp_path):
    certificates(tmp_path)
    place = read_servers(FOLDER / "servers.toml").broker
    port, text = free_port(), (FOLDER / "mosquitto.conf").read_text()
    for there, here in (
        ("listener 8883", f"listener {port} 127.0.0.1"), ("/etc/mosquitto/hall/", f"{tmp_path}/"),
        ("/etc/mosquitto/", f"{tmp_path}/"), ("/var/lib/mosquitto/", f"{tmp_path}/"),
    ):  # fmt: skip
        text = text.replace(there, here)
    access = BrokerAccess(
        place.model_copy(
            update={
                "password_file": str(tmp_path / "soakmon.passwords"),
                "access_file": str(tmp_path / "soakmon.access"), "reload": (),
            }
        )
    )  # fmt: skip
    access.let_in("north/left", "word")
    (tmp_path / "mosquitto.conf").write_text(f"user root\n{text}")
    with (tmp_path / "log").open("wb") as log:
        broker = subprocess.Popen(
            [tool("mosquitto"), "-c", str(tmp_path / "mosquitto.conf")], stdout=log, stderr=log
        )
    try:
        command = [
            tool("mosquitto_pub"), "-h", "localhost", "-p", str(port), "--cafile",
            str(tmp_path / "ca.pem"), "-u", "north/left", "-q", "1", "-t", "soakmon/north/left/x",
            "-m", "said",
        ]  # fmt: skip
        end_s = time.monotonic() + 10
        while time.monotonic() < end_s:
            found = subprocess.run(
                [*command, "-P", "word"], capture_output=True, timeout=10, check=False
            )
            if found.returncode == 0:
                break
        assert found.returncode == 0, (tmp_path / "log").read_text()
        wrong = subprocess.run(
            [*command, "-P", "other"], capture_output=True, timeout=10, check=False
        )
        assert wrong.returncode != 0
    finally:
        broker.kill()
        broker.wait()


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_systemd_finds_no_fault_in_the_units(unit, tmp_path):
    text = unit.read_text()
    assert re.search(r"^ExecStart=", text, re.MULTILINE)
    checker = shutil.which("systemd-analyze")
    if checker is None:
        return  # tests/run brings it wherever there is apt; what is above holds everywhere
    copy = tmp_path / unit.name
    copy.write_text(text)
    done = subprocess.run(
        [checker, "verify", "--man=no", str(copy)], capture_output=True, text=True, check=False
    )
    told = [line for line in done.stderr.splitlines() if unit.name in line]
    assert [line for line in told if "not executable" not in line] == []


def services() -> dict[str, Service]:
    """Of the compose file; what is no compose file, or names what is not there, is refused."""
    compose = PyCompose.from_yaml((FOLDER / "compose.yaml").read_text())
    compose.validate()
    return compose.services


def words(service: Service) -> list[str]:
    """Its command as it is run."""
    command = service.command
    return shlex.split(command) if isinstance(command, str) else list(command or ())


def test_a_compose_file_that_is_wrong_is_refused():
    """What takes it for good must be able to see what is not."""
    text = (FOLDER / "compose.yaml").read_text()
    for right, wrong in (
        ("[owner]", "[others]"), ("restart:", "restrat:"), ('"8883:8883"', '"8883:x"'),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"\w"):
            PyCompose.from_yaml(text.replace(right, wrong, 1)).validate()


def test_the_compose_file_has_what_servers_toml_names():
    servers, found = read_servers(FOLDER / "servers.toml"), services()
    assert list(found) == ["broker", "store", "years", "rules", "records"]
    for name, port in (
        ("broker", servers.broker.port), ("store", 8428), ("records", servers.records.port),
    ):  # fmt: skip
        assert f"{port}:{port}" in str(found[name].ports)


@pytest.mark.parametrize("name", ["store", "years", "unit"])
def test_the_series_servers_take_their_flags(name, tmp_path):
    """Of the compose file and the unit; a flag that it does not know ends a server at once."""
    flags = flags_of("soakmon-store.service") if name == "unit" else words(services()[name])
    assert any(flag.startswith("-retentionPeriod=") for flag in flags)
    own = [flag for flag in flags if not flag.startswith("-storageDataPath=")]
    Metrics(tmp_path).start(*own).stop()


@pytest.mark.parametrize("name", ["rules", "unit"])
def test_the_rules_run_by_their_own_command(name, tmp_path):
    """Of the compose file and the unit, on a store of their own."""
    flags = flags_of("soakmon-rules.service") if name == "unit" else words(services()[name])
    (tmp_path / "rules.yaml").write_text(json.dumps(rules()))
    store, port = Metrics(tmp_path).start(), free_port()
    here = []
    for flag in flags:
        key, _, value = flag.partition("=")
        laid = {"-rule": f"{tmp_path}/*.yaml", "-datasource.url": store.url}
        laid["-remoteWrite.url"] = store.url
        here.append(f"{key}={laid[key]}" if key in laid else flag)
        assert value, flag
    log = tmp_path / "log"
    with log.open("wb") as output:
        server = subprocess.Popen(
            [tool("vmalert"), *here, f"-httpListenAddr=127.0.0.1:{port}"],
            stdout=output, stderr=output,
        )  # fmt: skip
    try:
        up = wait_until(lambda: answers(f"http://127.0.0.1:{port}/api/v1/rules"), 15)
        assert up, log.read_text()
        told = json.loads(urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/rules").read())
        [group] = told["data"]["groups"]
        assert len(group["rules"]) == len(rules()["groups"][0]["rules"])
    finally:
        server.kill()
        server.wait()
        store.stop()


def flags_of(unit: str) -> list[str]:
    """What a unit starts its server with."""
    found = re.search(r"^ExecStart=\S+ (.+)$", (FOLDER / unit).read_text(), re.MULTILINE)
    assert found is not None
    return found[1].split()


def answers(address: str) -> bool:
    with suppress(OSError), urllib.request.urlopen(address, timeout=5) as answer:
        return answer.status == 200
    return False


def test_the_records_take_their_command_and_speak_tls(tmp_path):
    """With the flags of the compose file, its files laid elsewhere."""
    certificates(tmp_path)
    program, *flags = words(services()["records"])
    assert program == "postgres"
    port, here = free_port(), [flag.replace("/etc/postgres", "{folder}") for flag in flags]
    assert here != flags
    files = {"server.crt": "server.pem", "server.key": "server.key"}
    laid = {name: (tmp_path / there).read_bytes() for name, there in files.items()}
    with scratch_server([*here, "-c", f"port={port}"], laid):
        url = f"postgresql://soakmon@localhost:{port}/postgres?sslmode=verify-full"
        with psycopg.connect(f"{url}&sslrootcert={tmp_path / 'ca.pem'}") as connection:
            assert connection.execute("SHOW max_connections").fetchone() == ("100",)
            assert connection.pgconn.ssl_in_use
        with pytest.raises(psycopg.OperationalError, match="verify failed"):
            psycopg.connect(f"{url}&sslrootcert={tmp_path / 'client.pem'}")


def test_the_broker_may_write_where_a_new_volume_is_roots():
    """It gives up being root; its command of the compose file, with the folders laid elsewhere."""
    if os.geteuid() != 0:
        return  # who is not root gives up nothing; tests/run is root's wherever it has containers
    place = Path(tempfile.mkdtemp(dir="/var/tmp"))
    try:
        place.chmod(0o755)
        kept = place / "kept"
        kept.mkdir()
        certificates(place)
        for one in place.iterdir():
            one.chmod(0o755)
        text = (FOLDER / "mosquitto.conf").read_text()
        for there, here in (
            ("listener 8883", f"listener {free_port()} 127.0.0.1"),
            ("/etc/mosquitto/hall/", f"{place}/"), ("/etc/mosquitto/", f"{place}/"),
            ("/var/lib/mosquitto/", f"{kept}/"),
        ):  # fmt: skip
            text = text.replace(there, here)
        (place / "mosquitto.conf").write_text(text)
        for name in ("soakmon.passwords", "soakmon.access"):
            (place / name).touch()
        *shell, command = words(services()["broker"])
        assert shell == ["sh", "-c"]
        for there, here in (("/var/lib/mosquitto", f"{kept}"), ("/etc/mosquitto", f"{place}")):
            assert there in command
            command = command.replace(there, here)
        path = f"{Path(tool('mosquitto')).parent}:{os.environ['PATH']}"
        broker = subprocess.Popen([*shell, command], env=os.environ | {"PATH": path})
        try:
            assert wait_until(lambda: status_uid(broker.pid) != 0, 10)
            broker.terminate()  # it writes down what it has kept
            assert broker.wait(10) == 0
        finally:
            broker.kill()
            broker.wait()
        assert (kept / "mosquitto.db").exists()
    finally:
        shutil.rmtree(place)


def status_uid(pid: int) -> int:
    """As whom a process runs now."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"^Uid:\s+\d+\s+(\d+)", status, re.MULTILINE)[1])
