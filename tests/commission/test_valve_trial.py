"""The trial of the valve, against a service and a system that are played."""

from __future__ import annotations

import json
import time

import pytest

from soakmon.bench.bench_status import BenchStatus
from soakmon.bench.ports import Reading
from soakmon.bench_toml import parse_bench
from soakmon.cli import valve_trial
from soakmon.cli.valve_trial import ValveTrial
from soakmon.errors import InputError


class Played:
    """Service, system and bottle: 30 g/min run out while the feed is open; sleeping passes time."""

    def __init__(self, shuts: bool) -> None:
        self.now_s, self.mass_g = 0.0, 400.0
        self.shuts, self.opens, self.feed, self.asked = shuts, True, False, []
        self.phase = "idle"

    def sleep(self, seconds):
        self.now_s += seconds
        if self.feed:
            self.mass_g -= 30 * seconds / 60

    def systemctl(self, *words):
        self.asked.append(" ".join(words))
        if words[0] in {"stop", "kill"} and self.shuts:
            self.feed = False
        if words[0] == "start":
            self.feed = self.opens

    def status(self):
        checks = [{"name": "fill", "passed": False, "text": "fill the bottle"}]
        return BenchStatus(phase=self.phase, feed_open=self.feed, mass_g=self.mass_g, checks=checks)

    def post(self, path, body=None):
        self.asked.append(path)
        if path == "/soak":
            self.phase = "filling" if self.opens else "ended"
            self.feed = self.opens

    def read(self):
        return Reading(self.mass_g / 0.0005)

    def close(self):
        pass


@pytest.fixture
def trial(tmp_path, monkeypatch):
    def made(**traits):
        played = Played(traits.get("shuts", True))
        played.opens = traits.get("opens", True)
        monkeypatch.setattr(valve_trial, "systemctl", played.systemctl)
        monkeypatch.setattr(valve_trial, "build_cell", lambda bench: played)
        monkeypatch.setattr(valve_trial, "DROP_IN", tmp_path / "drop/in.conf")
        monkeypatch.setattr(valve_trial.time, "monotonic", lambda: played.now_s)
        bench = parse_bench(f'[service]\ndata_folder = "{tmp_path}"\n')
        return played, ValveTrial(bench, played, lambda _: None, sleep=played.sleep)

    assert time.monotonic
    return made


def test_a_valve_that_shuts_both_ways_is_good_and_nothing_stays_changed(trial):
    played, tried = trial()
    steps, flow = tried.stop_and_kill()
    assert [(step.name, step.passed) for step in steps] == [
        ("service stopped", True), ("service killed", True),
    ]  # fmt: skip
    assert flow == pytest.approx(30, rel=0.05)
    assert not valve_trial.DROP_IN.exists()
    assert played.asked.count("daemon-reload") == 2
    tried.end()
    assert played.asked[-1] == "/end"


def test_a_valve_that_stays_open_is_named(trial):
    _, tried = trial(shuts=False)
    steps, _ = tried.stop_and_kill()
    assert [step.passed for step in steps] == [False, False]
    assert "DOES NOT SHUT" in steps[0].text


def test_a_feed_that_does_not_open_says_why(trial):
    _, tried = trial(opens=False)
    with pytest.raises(InputError, match="fill the bottle"):
        tried.stop_and_kill()


def test_the_power_cut_is_judged_after_it(trial, monkeypatch):
    played, tried = trial()
    steps, flow = tried.stop_and_kill()
    tried.before_power_cut(steps, flow)
    assert json.loads(tried.state_path.read_text())["open_g_per_min"] == flow
    with pytest.raises(InputError, match="pull the Pi's supply"):
        tried.after_power_cut()
    monkeypatch.setattr(valve_trial, "_boot", lambda: "another")
    played.feed = False
    played.mass_g -= 1.5
    (*_, cut) = tried.after_power_cut()
    assert (cut.name, cut.passed) == ("power cut", True)
    assert tried.after_power_cut() is None
