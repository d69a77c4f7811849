"""Prints what a connection costs a broker, plain and with TLS; asserts nothing.

python -m tests.hall.connects      needs mosquitto and openssl; a minute
"""

from __future__ import annotations

import asyncio
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.enrol.broker_access import access_list, password_line
from soakmon.reach.mqtt import connect
from soakmon.reach_config import MqttSection
from tests.hall.servers import cpu_s, memory_b
from tests.reach.bench import bench_with
from tests.reach.broker import Broker

COUNT, STANDING = 400, 300


def certificate(folder: Path) -> None:
    """Of the kind that is quickest, and usual by now: elliptic curve, P-256."""
    command = [
        "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes",
        "-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
        "-keyout", "server.key", "-out", "server.pem",
    ]  # fmt: skip
    subprocess.run(command, cwd=folder, check=True, capture_output=True)


async def measured(broker: Broker, section: MqttSection, what: str) -> None:
    pid = broker.process.pid
    before_s = cpu_s(pid)
    for number in range(COUNT):
        async with connect(section, f"one-{number}"):
            pass
    each_s = (cpu_s(pid) - before_s) / COUNT
    before_b, links = memory_b(pid), []
    for number in range(STANDING):
        links.append(connect(section, f"stands-{number}"))
        await links[-1].__aenter__()
    each_b = (memory_b(pid) - before_b) / STANDING
    for link in links:
        await link.__aexit__(None, None, None)
    print(
        f"{what}: {1e3 * each_s:.2f} ms of CPU a connection, {each_b / 1e3:.0f} kB while it stands"
    )


def main() -> None:
    """As the module says."""
    for tls in (False, True):
        with TemporaryDirectory() as name:
            folder = Path(name)
            certificate(folder)
            (folder / "access").write_text(access_list(["north/left"]))
            (folder / "passwords").write_text(password_line("north/left", "word") + "\n")
            (folder / "password").write_text("word")
            files = f"certfile {folder}/server.pem\nkeyfile {folder}/server.key\n" if tls else ""
            guard = f"password_file {folder}/passwords\nacl_file {folder}/access\n"
            broker = Broker(folder, f"{files}{guard}").start()
            told = {
                "host": "localhost", "port": broker.port, "user": "north/left",
                "password_file": f"{folder}/password", "tls": tls,
            }  # fmt: skip
            if tls:
                told["ca_file"] = f"{folder}/server.pem"
            try:
                section = bench_with(mqtt=told).mqtt
                asyncio.run(measured(broker, section, "with TLS" if tls else "plain"))
            finally:
                broker.kill()


if __name__ == "__main__":
    main()
