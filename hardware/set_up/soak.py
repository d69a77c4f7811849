"""Whether a soak is running, asked of the service, and of the journal where it does not answer."""

from __future__ import annotations

import http.client
import json
import socket
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from hardware.set_up.places import Places

IDLE = {"idle", "ended"}


class _Local(http.client.HTTPConnection):
    """HTTP through a Unix socket."""

    def __init__(self, path: Path) -> None:
        super().__init__("soakmon", timeout=10)
        self._path = path

    def connect(self) -> None:
        """Connect to the socket."""
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self._path))


def status(places: Places) -> dict[str, Any] | None:
    """What the service says of itself; None where none answers."""
    try:
        with closing(_Local(places.socket)) as asked:
            asked.request("GET", "/status")
            answer = asked.getresponse()
            content = json.loads(answer.read())
    except (OSError, http.client.HTTPException, ValueError):
        return None
    return content if answer.status == 200 and isinstance(content, dict) else None


def running_soak(places: Places) -> str:
    """What is running, or "". A soak that a silent service would take up again is running too."""
    answer = status(places)
    if answer is not None:
        phase = str(answer.get("phase", "idle"))
        return "" if phase in IDLE else f"a soak is running ({phase})"
    number = _open_soak(places.data / "journal.db")
    return f"soak {number} has not ended, and the service does not answer" if number else ""


def _open_soak(journal: Path) -> int:
    """The newest soak of a journal if it has no end, else 0."""
    if not journal.exists():
        return 0
    try:
        with closing(sqlite3.connect(f"{journal.absolute().as_uri()}?mode=ro", uri=True)) as file:
            row = file.execute("SELECT id, ended_t_s FROM soak ORDER BY id DESC").fetchone()
    except sqlite3.Error:
        return 0  # the service sets a journal aside that cannot be read
    return int(row[0]) if row and row[1] is None else 0
