"""Bench, broker and lookout as processes, killed and restarted in a given order."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from soakmon.bench.client import Client
from soakmon.records.journal import Journal
from tests.bench.test_api import wait
from tests.reach.broker import Broker, Ear
from tests.reach.targets import HttpTarget

ROOT = Path(__file__).parent.parent.parent
MAIN = [sys.executable, "-c", "from soakmon.cli import main; main()"]
# Everything is on disk at once, and who has subscribed is kept: what is queued for the subscriber
# outlives the broker.
_PERSISTENT = """allow_anonymous true
persistence true
persistence_location {folder}/
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
"""
_TOML = """
[service]
name = "left"
isolate_min = 600
[mqtt]
enabled = true
host = "127.0.0.1"
port = {port}
keepalive_s = 5
heartbeat_s = 1
[phone]
enabled = true
urls = ["json://127.0.0.1:{phone}/first"]
quiet_from = "00:00"
quiet_to = "00:00"
[lookout]
silent_s = 10
broker_s = 1
lead_s = 3
gather_s = 1
"""


class Shop:
    """The three, each on its own; `ear` is another client, which sees what an outsider sees."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "broker").mkdir()
        self.phone = HttpTarget()
        self.broker = Broker(folder, _PERSISTENT.format(folder=folder / "broker"))
        text = _TOML.format(port=self.broker.port, phone=self.phone.port)
        (folder / "bench.toml").write_text(text)
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.client = Client(folder / "data" / "control.sock")
        self.started_s = time.monotonic()
        for name in ("broker", "bench", "lookout"):
            self.start(name)
        self.ear = Ear(self.broker, folder, "-c", "-i", "ear")

    def start(self, name: str) -> None:
        if name == "broker":
            self.broker.start()
            return
        words = {
            "bench": ["serve", "--simulated", "dry-rack", "--pace", "10", "--data", "data"],
            "lookout": ["lookout"],
        }[name]
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(
                [*MAIN, *words, "--bench", "bench.toml"], cwd=self.folder, stderr=log, stdout=log,
                env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip

    def kill(self, name: str) -> None:
        if name == "broker":
            self.broker.kill()
            return
        self.processes[name].send_signal(signal.SIGKILL)
        self.processes[name].wait()

    def soak(self) -> None:
        """Begin a soak, and let the rack be filled: cut off before, it would be ended."""
        wait(lambda: self.client.get("/status").get("mass_g") is not None)
        self.client.post("/soak", {"title": "invented rack", "cautions_confirmed": True})
        wait(lambda: self.client.get("/status")["phase"] == "settling", 90)

    def journal_alarms(self, count: int) -> None:
        """Alarms that reach the journal just before the power goes: nobody has been told."""
        journal = Journal(self.folder / "data" / "journal.db")
        last = journal.read_events(1)[-1]
        journal.soak = 1
        for _ in range(count):
            alarm = {"t_s": last.t_s, "kind": "bench", "carb": None, "leak_g_per_h": None}
            journal.add_event(last.t_s, last.wall_s, "alarm", alarm | {"text": "invented"})
        journal.close()

    def alarms(self) -> list[int]:
        journal = Journal(self.folder / "data" / "journal.db")
        found = [event.id for event in journal.read_events() if event.kind == "alarm"]
        journal.close()
        return found

    def opinion(self) -> str:
        """What the lookout thinks of the bench."""
        text = (self.folder / "lookout.log").read_text()
        found = re.findall(r"bench left: (.*)", text[text.rfind("watching the benches") :])
        return found[-1] if found else "nothing"

    def retained(self) -> dict[str, dict]:
        late = Ear(self.broker, self.folder)
        try:
            wait(lambda: {"state", "phase", "availability"} <= set(_kept(late)))
            return _kept(late)
        finally:
            late.close()

    def settled(self) -> bool:
        """Whether everybody agrees, and every alarm has been heard."""
        status = self.client.get("/status")
        outlets = {one["name"]: one for one in self.client.get("/health")}
        heard = {alarm["id"] for alarm in self.ear.on("soakmon/left/alarms")}
        return (
            outlets["mqtt"]["state"] == "up"
            and outlets["mqtt"]["lag"] == 0
            and heard == set(self.alarms())
            and self.opinion() == status["phase"]
        )

    def connections_per_minute(self) -> dict[str, float]:
        """From the broker's own log, for each kind of client."""
        text = (self.folder / "mosquitto.log").read_text()
        found = Counter(re.findall(r"New client connected from \S+ as soakmon-(\w+)-", text))
        minutes = (time.monotonic() - self.started_s) / 60
        return {name: count / minutes for name, count in found.items()}

    def close(self) -> None:
        self.ear.close()
        for process in self.processes.values():
            process.kill()
            process.wait()
        self.broker.kill()
        self.phone.close()


def _kept(ear: Ear) -> dict[str, dict]:
    return {topic.rpartition("/")[2]: body for topic, retained, body in ear.heard() if retained}
