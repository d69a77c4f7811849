"""Commissioning's trial of the valve: stopped, killed and without power the service must shut it.

The service runs a soak into a jar, so that the feed is open as it is in use. While the service is
gone the load cell is read from here. After the power cut the trial goes on with the next call.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from hardware.build import build_cell
from soakmon.bench.client import Client
from soakmon.commission.flow import SHUTS_WITHIN_S, FlowRates, falls_g_per_min
from soakmon.commission.record import CommissionStep
from soakmon.commission.valve_ways import (
    KILLED,
    LOOKS_EVERY_S,
    POWER,
    STOPPED,
    LastLook,
    judged,
    name_of,
)
from soakmon.config import Bench
from soakmon.errors import InputError

SERVICE = "soakmon.service"
STATE, LOOK = "commissioning.json", "commissioning-look.json"
# Without it the system starts a killed service again within two seconds, and the feed with it.
DROP_IN = Path("/run/systemd/system/soakmon.service.d/commissioning.conf")
# The status is renewed with every row, once a second.
_LOOK_S, _OPENS_WITHIN_S, _STATUS_WITHIN_S = 20.0, 180.0, 3.0
_PULLED_WITHIN_S = 180.0


def systemctl(*words: str) -> None:
    """Have the system do something. Raises InputError with its own words."""
    done = subprocess.run(["systemctl", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        output = (done.stderr or done.stdout).strip().splitlines()
        why = output[-1] if output else "see journalctl -u soakmon"
        raise InputError(f"systemctl {' '.join(words)}: {why}")


class ValveTrial:
    """The trial on a bench whose service runs. say: tells the owner what is done."""

    def __init__(
        self,
        bench: Bench,
        client: Client,
        say: Callable[[str], None],
        *,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.bench, self.client, self.say, self.sleep = bench, client, say, sleep
        folder = Path(bench.service.data_folder)
        self.state_path, self.look_path = folder / STATE, folder / LOOK

    def stop_and_kill(self) -> tuple[list[CommissionStep], float]:
        """The first two ways, and the open flow in g/min. The soak goes on, feed open."""
        steps = []
        title = "commissioning: valve"
        self.client.post("/soak", {"title": title, "cautions_confirmed": True})
        self.sleep(_STATUS_WITHIN_S)
        flow = self._open_flow()
        self.say("stopping the service: the stream must stop …")
        systemctl("stop", SERVICE)
        steps.append(self._shut(name_of(STOPPED), flow))
        systemctl("start", SERVICE)
        flow = self._open_flow()
        DROP_IN.parent.mkdir(parents=True, exist_ok=True)
        DROP_IN.write_text("[Service]\nRestart=no\n", encoding="ascii")
        try:
            systemctl("daemon-reload")
            self.say("killing the service: the stream must stop …")
            systemctl("kill", "--signal=KILL", SERVICE)
            steps.append(self._shut(name_of(KILLED), flow))
        finally:
            DROP_IN.unlink(missing_ok=True)
            systemctl("daemon-reload")
        systemctl("start", SERVICE)
        return steps, self._open_flow()

    def before_power_cut(self, steps: list[CommissionStep], open_g_per_min: float) -> None:
        """Write down what is known: the rest is told after the cut. The service stays off then."""
        systemctl("disable", SERVICE)
        plain = [[step.name, step.passed, step.text] for step in steps]
        self.state_path.write_text(json.dumps({"steps": plain}), encoding="utf-8")
        LastLook(POWER, _boot(), open_g_per_min, time.time(), self._mass_g()).write(self.look_path)

    def await_power_cut(self) -> None:
        """Keep the last reading on disk until the power goes. Raises InputError when it stays."""
        until_s = time.monotonic() + _PULLED_WITHIN_S
        last = LastLook.read(self.look_path)
        while last is not None and time.monotonic() < until_s:
            last = last.at(time.time(), self._mass_g())
            last.write(self.look_path)
            self.sleep(LOOKS_EVERY_S)
        self.state_path.unlink(missing_ok=True)
        self.look_path.unlink(missing_ok=True)
        self.end()
        raise InputError("the supply was not pulled: the trial has ended, the feed is shut")

    def after_power_cut(self) -> list[CommissionStep] | None:
        """All steps, once the power has been off; None where no trial waits for that."""
        try:
            state: dict[str, Any] = json.loads(self.state_path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        steps = [CommissionStep(*step) for step in state["steps"]]
        last = LastLook.read(self.look_path)
        if last is None:
            steps.append(CommissionStep(name_of(POWER), None, "its last reading is not on disk"))
        elif last.boot == _boot():
            raise InputError("pull the Pi's supply, put it back, then: sudo soakmon commission")
        else:
            mass_g = self._grams(5.0)[1][-1]
            steps.append(judged(last, _boot(), time.time(), float(mass_g)))
        self.state_path.unlink()
        self.look_path.unlink(missing_ok=True)
        return steps

    def end(self) -> None:
        """The trial's soak is over."""
        systemctl("enable", "--now", SERVICE)
        if self.client.status().phase not in {"idle", "ended"}:
            self.client.post("/end", {"reason": "commissioning is over"})

    def _open_flow(self) -> float:
        """Wait until the feed is open, then see what flows, in g/min."""
        self.say("waiting for the feed to open (preflight takes a minute) …")
        until_s = time.monotonic() + _OPENS_WITHIN_S
        while not (status := self.client.status()).feed_open:
            if status.phase == "ended" or time.monotonic() > until_s:
                failed = [check.text for check in status.checks if not check.passed]
                why = "; ".join(failed) or status.reason or "see soakmon status"
                raise InputError(f"the feed did not open: {why}")
            self.sleep(1.0)
        times, masses = [], []
        for _ in range(round(_LOOK_S)):
            self.sleep(1.0)
            if (mass_g := self.client.status().mass_g) is not None:
                times.append(time.monotonic())
                masses.append(mass_g)
        return _fall(times, masses)

    def _shut(self, name: str, open_g_per_min: float) -> CommissionStep:
        self.sleep(SHUTS_WITHIN_S)
        flow = FlowRates(open_g_per_min, _fall(*self._grams(_LOOK_S)))
        return CommissionStep(name, flow.shuts, flow.text())

    def _mass_g(self) -> float:
        mass_g = self.client.status().mass_g
        if mass_g is None:
            raise InputError("the cell gives no reading: see soakmon status")
        return float(mass_g)

    def _grams(self, seconds: float) -> tuple[list[float], list[float]]:
        """Read the cell from here for so long; the service must be gone."""
        cell, times, masses = self.bench.cell, [], []
        with closing(build_cell(self.bench)) as part:
            until_s = time.monotonic() + seconds
            while time.monotonic() < until_s:
                reading = part.read()
                if reading.value is not None:
                    times.append(time.monotonic())
                    masses.append((reading.value - cell.zero_counts) * cell.g_per_count)
                self.sleep(0.2)
        if len(masses) < 2:
            raise InputError("the cell gives no reading: check its wiring")
        return times, masses


def _fall(times_s: list[float], masses_g: list[float]) -> float:
    if len(times_s) < 2:
        raise InputError("the cell gives no reading: see soakmon status")
    return falls_g_per_min(times_s, masses_g)


def _boot() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
