"""A real MQTT broker on a free port, and an independent subscriber to look with."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import socket
import subprocess
import time
from pathlib import Path

PATH = f"{os.environ.get('PATH', '')}:/usr/sbin"


def tool(name: str) -> str:
    found = shutil.which(name, path=PATH)
    assert found is not None, f"{name} is missing: bash tests/run brings it"
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """mosquitto with a configuration of its own; `more` goes below the listener."""

    def __init__(self, folder: Path, more: str = "allow_anonymous true\n") -> None:
        self.folder, self.more = folder, more
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> Broker:
        file = self.folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        file.write_text(f"{user}listener {self.port} 127.0.0.1\n{self.more}")
        with (self.folder / "mosquitto.log").open("ab") as output:
            self.process = subprocess.Popen(
                [tool("mosquitto"), "-c", str(file)], stdout=output, stderr=output
            )
        until = time.monotonic() + 10
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return self
            time.sleep(0.01)
        raise AssertionError((self.folder / "mosquitto.log").read_text())

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


class Ear:
    """mosquitto_sub on all topics: what an outsider hears, as (topic, retained, payload)."""

    def __init__(self, broker: Broker, folder: Path, *options: str) -> None:
        self.file = folder / f"ear-{time.monotonic_ns()}.txt"
        command = [
            tool("mosquitto_sub"), "-h", "localhost", "-p", str(broker.port), "-q", "1",
            "-t", "#", "-F", "%j", *options,
        ]  # fmt: skip
        self.output = self.file.open("wb")
        self.process = subprocess.Popen(command, stdout=self.output, stderr=self.output)

    def heard(self) -> list[tuple[str, bool, dict]]:
        found = []
        for line in self.file.read_text(encoding="utf-8").splitlines():
            if line.startswith("{") and line.endswith("}"):
                one = json.loads(line)
                payload = _object(one.get("payload") or "")
                found.append((one["topic"], bool(one["retain"]), payload))
        return found

    def on(self, topic: str) -> list[dict]:
        return [payload for where, _, payload in self.heard() if where == topic]

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        self.output.close()


def _object(text: str) -> dict:
    """A payload; what is not JSON counts as empty."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def say(broker: Broker, topic: str, payload: str, *options: str) -> None:
    command = [
        tool("mosquitto_pub"), "-h", "localhost", "-p", str(broker.port), "-q", "1",
        "-t", topic, "-m", payload, *options,
    ]  # fmt: skip
    subprocess.run(command, check=True, timeout=10)


def certificates(folder: Path) -> None:
    """A throw-away authority with a server's and a client's certificate."""

    def run(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    new = ("-newkey", "rsa:2048", "-nodes")
    run("req", "-x509", *new, "-days", "2", "-subj", "/CN=invented authority",
        "-keyout", "ca.key", "-out", "ca.pem")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    for name in ("server", "client"):
        run("req", *new, "-subj", f"/CN={'localhost' if name == 'server' else 'bench'}",
            "-keyout", f"{name}.key", "-out", f"{name}.csr")  # fmt: skip
        run(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-days", "2",
            "-CAcreateserial", "-extfile", "names", "-out", f"{name}.pem",
        )  # fmt: skip


class Cutter:
    """A wire to the broker that is cut after so many bytes, again and again."""

    def __init__(self, broker: Broker, seed: int, most_bytes: int) -> None:
        self.broker = broker
        self.random = random.Random(seed)
        self.most_bytes = most_bytes
        self.port = free_port()
        self.cuts = 0
        self.whole = False
        self.wires: set[asyncio.Task[None] | None] = set()

    async def __aenter__(self) -> Cutter:
        self.server = await asyncio.start_server(self._wire, "127.0.0.1", self.port)
        return self

    async def __aexit__(self, *error: object) -> None:
        """Cut all wires, and wait until their sockets are closed."""
        self.server.close()
        wires = [wire for wire in self.wires if wire is not None]
        for wire in wires:
            wire.cancel()
        await asyncio.gather(*wires, return_exceptions=True)
        for _ in range(3):
            await asyncio.sleep(0)

    async def _wire(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.broker.port)
        left = [10**9 if self.whole else self.random.randint(200, self.most_bytes)]

        async def carry(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
            while data := await source.read(64):
                left[0] -= len(data)
                if left[0] < 0:
                    self.cuts += 1
                    return
                target.write(data)

        self.wires.add(asyncio.current_task())
        ways = [carry(reader, far_writer), carry(far_reader, writer)]
        tasks = [asyncio.create_task(way) for way in ways]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            for one in (writer, far_writer):
                one.transport.abort()
            await asyncio.gather(*tasks, return_exceptions=True)
            self.wires.discard(asyncio.current_task())
