"""The trial of the valve, against a service and a system that are played."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.bench.bench_status import BenchStatus
from soakmon.bench.ports import Reading
from soakmon.bench_toml import parse_bench
from soakmon.cli import valve_trial
from soakmon.cli.valve_trial import ValveTrial
from soakmon.commission.flow import SHUTS_WITHIN_S
from soakmon.commission.valve_ways import KILLED, POWER, STOPPED, WAYS, LastLook, judged
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
        monkeypatch.setattr(time, "monotonic", lambda: played.now_s)
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


class PowerGone(BaseException):
    """The supply is pulled."""


@pytest.mark.parametrize(("leaks_g", "passed"), [(1.5, True), (25.0, False)])
def test_the_power_cut_is_judged_from_the_last_reading_before_it(
    trial, monkeypatch, leaks_g, passed
):
    played, tried = trial()
    steps, flow = tried.stop_and_kill()
    tried.before_power_cut(steps, flow)
    # Whoever pulls the plug takes half a minute to find it; what runs meanwhile is no fault.
    walks_s = iter(range(30))

    def until_pulled(seconds):
        if next(walks_s, None) is None:
            raise PowerGone
        played.sleep(seconds)

    tried.sleep = until_pulled
    with pytest.raises(PowerGone):
        tried.await_power_cut()
    with pytest.raises(InputError, match="pull the Pi's supply"):
        tried.after_power_cut()
    monkeypatch.setattr(valve_trial, "_boot", lambda: "another")
    tried.sleep = played.sleep
    played.feed = False
    played.mass_g -= leaks_g
    (*_, cut) = tried.after_power_cut()
    assert (cut.name, cut.passed) == ("power cut", passed)
    assert tried.after_power_cut() is None


def test_a_supply_that_is_not_pulled_ends_the_trial_with_the_feed_shut(trial):
    played, tried = trial()
    steps, flow = tried.stop_and_kill()
    tried.before_power_cut(steps, flow)
    with pytest.raises(InputError, match="not pulled"):
        tried.await_power_cut()
    assert played.asked[-2:] == ["enable --now soakmon.service", "/end"]
    assert tried.after_power_cut() is None


LAST = LastLook(STOPPED, "boot", 30.0, 1000.0, 400.0, ordered=True)


@pytest.mark.parametrize(
    ("last", "boot", "back", "passed", "word"),
    [
        (LAST, "boot", (32, 399.0), True, "shuts"),
        (LAST, "boot", (32, 384.0), False, "DOES NOT SHUT"),
        (LAST, "boot", (5, 399.5), None, "too soon"),
        (LAST, "another", (60, 399.0), None, "restarted"),
        (LAST, "boot", (32, 450.0), None, "heavier"),
        (replace(LAST, ordered=False), "boot", (32, 399.0), None, "killed, not stopped"),
        (replace(LAST, way=KILLED), "boot", (32, 399.0), None, "stopped, not killed"),
        (replace(LAST, way=KILLED, ordered=False), "boot", (32, 399.0), True, "shuts"),
        (replace(LAST, way=POWER), "boot", (32, 399.0), None, "not without power"),
        (replace(LAST, way=POWER), "another", (600, 399.0), True, "shuts"),
        (replace(LAST, way=POWER), "another", (-9, 385.0), False, "DOES NOT SHUT"),
        (replace(LAST, open_g_per_min=2.0), "boot", (32, 400.0), False, "too little"),
    ],
)
def test_the_first_reading_after_it_tells_whether_it_shut(last, boot, back, passed, word):
    after_s, mass_g = back
    step = judged(last, boot, last.wall_s + after_s, mass_g)
    assert step.passed is passed
    assert word in step.text


@given(
    open_g_per_min=st.floats(10, 100),
    off_s=st.floats(30, 300),
    way=st.sampled_from(WAYS),
)
def test_a_valve_that_stays_open_is_never_believed_shut(open_g_per_min, off_s, way):
    """Whatever flows, and however long nobody looks."""
    last = LastLook(way, "boot", open_g_per_min, 0.0, 1000.0, ordered=way == STOPPED)
    boot = "another" if way == POWER else "boot"
    left_open = judged(last, boot, off_s, 1000.0 - open_g_per_min * off_s / 60)
    assert left_open.passed is False
    shut = judged(last, boot, off_s, 1000.0 - open_g_per_min * SHUTS_WITHIN_S / 60)
    assert shut.passed is True


def test_the_last_look_is_read_as_it_was_written_and_a_torn_one_is_none(tmp_path):
    path = tmp_path / "look.json"
    LAST.write(path)
    assert LastLook.read(path) == LAST
    path.write_text(path.read_text()[:20])
    assert LastLook.read(path) is None
