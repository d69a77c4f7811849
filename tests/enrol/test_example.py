"""The example deployment: the servers' own tools take its files, which agree with the program."""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest

import soakmon.enrol
from soakmon.enrol.broker_access import BrokerAccess
from soakmon.enrol.servers import read_servers
from tests.reach.broker import certificates, free_port, tool
from tests.reach.metrics import Metrics

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


def test_the_series_servers_take_the_flags_of_unit_and_compose_file(tmp_path):
    """A flag that it does not know ends a server at once."""
    compose = (FOLDER / "compose.yaml").read_text()
    unit = (FOLDER / "soakmon-store.service").read_text()
    for text in (compose, unit):
        flags = re.findall(r"-(?:retentionPeriod|dedup\.minScrapeInterval)=\w+", text)
        assert len(flags) in {2, 4}
    place = tmp_path / "store"
    place.mkdir()
    server = Metrics(place).start("-dedup.minScrapeInterval=1ms")
    server.stop()


def test_the_compose_file_has_what_servers_toml_names():
    text, servers = (FOLDER / "compose.yaml").read_text(), read_servers(FOLDER / "servers.toml")
    for port in (servers.broker.port, servers.records.port, 8428):
        assert f'"{port}:{port}"' in text
    named = re.findall(r"^  (\w+):$", text.partition("services:")[2], re.MULTILINE)
    assert named[:5] == ["broker", "store", "years", "rules", "records"]
