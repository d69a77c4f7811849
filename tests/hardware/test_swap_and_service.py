"""An upgrade in the middle of a soak of a real service waits, and swaps once it has ended."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hardware.set_up import swap as swapping
from hardware.set_up.places import SERVICE, Places
from hardware.set_up.soak import running_soak, status
from hardware.set_up.swap import Swapper
from soakmon.records.journal import Journal
from tests.hardware.test_set_up import CLONE, Pi, in_use

LOOKS = 600


class Serving(Pi):
    """A machine whose systemctl starts and stops the service itself, on a simulated bench."""

    service: subprocess.Popen[bytes] | None = None
    begun = 0

    def run(self, *command, env=None):
        said = super().run(*command, env=env)
        verb = [str(word) for word in command[:2]]
        if verb == ["systemctl", "start"] and command[2] == SERVICE:
            self.begin()
        if verb == ["systemctl", "stop"] and command[2] == SERVICE:
            self.end()
        return said

    def begin(self) -> None:
        self.begun += 1
        self.service = subprocess.Popen(
            [sys.executable, "-m", "soakmon", "serve", "--simulated", "dry-rack", "--pace", "60",
             "--data", str(self.places.data)],
            env={**os.environ, "PYTHONPATH": str(CLONE)}, cwd=self.places.root,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def end(self) -> None:
        if self.service is not None:
            self.service.send_signal(signal.SIGTERM)
            assert self.service.wait() == 0
            self.service = None


@pytest.fixture
def places(tmp_path):
    found = Places(tmp_path)
    for folder in (found.versions / "old", found.versions / "new", found.data, found.units):
        folder.mkdir(parents=True)
    found.current.symlink_to("versions/old")
    found.socket.parent.mkdir(parents=True, exist_ok=True)
    found.socket.symlink_to(found.data / "control.sock")
    (tmp_path / "bench.toml").write_text("[page]\non = false\n")
    return found


@pytest.fixture
def machine(places):
    made = Serving(places, {"old", "new"})
    made.begin()
    made.up = "old"
    yield made
    made.end()


def until(places: Places, phases: set[str]) -> None:
    for _ in range(LOOKS):
        if (status(places) or {}).get("phase") in phases:
            return
        time.sleep(0.1)
    raise AssertionError(f"never {phases}: {status(places)}")


def soakmon(places: Places, *words: str) -> None:
    command = [sys.executable, "-m", "soakmon", *words, "--socket", str(places.socket)]
    subprocess.run(command, check=True, env={**os.environ, "PYTHONPATH": str(CLONE)})


def test_it_waits_and_swaps(places, machine, monkeypatch):
    monkeypatch.setattr(swapping, "STAYS_UP_S", 1.0)
    looks = itertools.count(0.0, 0.1)
    swapper = Swapper(machine, places, clock_s=lambda: next(looks), sleep=lambda _: time.sleep(0.1))
    until(places, {"idle"})
    soakmon(places, "start", "invented rack", "--confirm-cautions")
    until(places, {"filling", "settling", "soaking"})
    assert swapper.begin(places.versions / "new") == 0
    assert "waits for its end" in machine.told[-1]
    assert swapper.go_on() == 0
    assert (in_use(places), machine.begun) == ("old", 1)
    assert running_soak(places)
    soakmon(places, "end")
    until(places, {"ended"})
    assert swapper.go_on() == 0
    assert (in_use(places), machine.begun) == ("new", 2)
    until(places, {"idle"})
    machine.end()
    journal = Journal(Path(places.data) / "journal.db")
    (soak,) = journal.soaks()
    journal.close()
    assert soak.title == "invented rack"
    assert soak.verdict is not None
    assert not places.swap.exists()
