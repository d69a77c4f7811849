"""A simulated bench with its page, as a process of its own."""

from __future__ import annotations

import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from pathlib import Path

import httpx

from soakmon.page.door import Door
from soakmon.page.store import Role, Store

ROOT = Path(__file__).parent.parent.parent
PASSWORD = "an invented password"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class ServedBench:
    """`soakmon serve --simulated`; start, kill and start again on the same port and data."""

    def __init__(
        self, folder: Path, scenario: str, pace: float, *, page: str = "", more: str = ""
    ) -> None:
        self.folder, self.scenario, self.pace = folder, scenario, pace
        self.port = free_port()
        # With TLS by the host's name, which stands in the certificate.
        sealed = "cert" in page
        self.address = (
            f"https://localhost:{self.port}" if sealed else f"http://127.0.0.1:{self.port}"
        )
        self.trust: ssl.SSLContext | bool = (
            ssl.create_default_context(cafile=str(folder / "page.crt")) if sealed else True
        )
        (folder / "bench.toml").write_text(
            f"[page]\nport = {self.port}\n{page}\n[soak]\nsettle_min = 5\n{more}",
            encoding="utf-8",
        )
        self.process: subprocess.Popen[str] | None = None
        self.code = ""
        self.start()

    def start(self) -> None:
        command = [
            sys.executable, "-m", "soakmon", "serve", "--simulated", self.scenario,
            "--pace", str(self.pace), "--data", "data", "--bench", "bench.toml",
        ]  # fmt: skip
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        out = self.folder / "out.txt"
        with out.open("w", encoding="utf-8") as output:
            self.process = subprocess.Popen(
                command, cwd=self.folder, env=environment, stdout=output, stderr=output, text=True
            )
        until = time.monotonic() + 90
        while time.monotonic() < until and self.process.poll() is None and not self.answers():
            time.sleep(0.1)
        text = out.read_text(encoding="utf-8")
        if not self.answers():
            self.stop(signal.SIGKILL)
            raise AssertionError(text)
        found = re.search(r"with the code (\S+),", text)
        self.code = found[1] if found else ""

    def account(self, name: str) -> None:
        """Make an account that may run the bench."""
        store = Store(self.folder / "data" / "page.db", 0.0)
        store.set_account(name, Role.RUN, Door(store).hash(PASSWORD))
        store.close()

    def answers(self) -> bool:
        try:
            return httpx.get(f"{self.address}/sign-in", verify=self.trust).status_code in {200, 303}
        except httpx.HTTPError:
            return False

    def stop(self, number: int = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        try:
            return self.process.wait(20)
        finally:
            self.process.kill()
            self.process.wait()
