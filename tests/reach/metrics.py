"""A real time-series server on a free port: VictoriaMetrics, which takes the v2 write path.

It keeps numbers to the millisecond, texts as 0, and what comes twice twice unless it is told to
remove doubles (`-dedup.minScrapeInterval`).
"""

from __future__ import annotations

import json
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

from tests.reach.broker import free_port, tool

# name and tags of a series
Series = tuple[str, frozenset[tuple[str, str]]]


class Metrics:
    """The server; its data outlive `stop`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self, *options: str) -> Metrics:
        command = [
            tool("victoria-metrics"), f"-storageDataPath={self.folder / 'series'}",
            f"-httpListenAddr=127.0.0.1:{self.port}", "-retentionPeriod=100y", *options,
        ]  # fmt: skip
        with (self.folder / "series.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until = time.monotonic() + 20
        while time.monotonic() < until:
            try:
                self._ask("/health")
            except OSError:
                time.sleep(0.02)
            else:
                return self
        raise AssertionError((self.folder / "series.log").read_text())

    def stop(self) -> None:
        """As the system would: it writes to disk what it holds."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(20)
            self.process = None

    def _ask(self, path: str, **query: str) -> bytes:
        address = f"{self.url}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(address, timeout=30) as answer:
            return bytes(answer.read())

    def samples(self) -> dict[Series, list[tuple[int, float]]]:
        """Everything it holds: (time in ms, value) of each series, by time."""
        self._ask("/internal/force_flush")
        found: dict[Series, list[tuple[int, float]]] = {}
        for line in self._ask("/api/v1/export", **{"match[]": '{__name__!=""}'}).splitlines():
            one = json.loads(line)
            tags = dict(one["metric"])
            series = tags.pop("__name__"), frozenset(tags.items())
            pairs = zip(one["timestamps"], one["values"], strict=True)
            found.setdefault(series, []).extend(pairs)
        return {series: sorted(pairs) for series, pairs in found.items()}
