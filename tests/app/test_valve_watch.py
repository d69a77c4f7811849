"""The page's trial of the valve: a bench that lives on while services come and go."""

from __future__ import annotations

import threading

import pytest

from sim.scenarios import SCENARIOS
from soakmon.app.valve_watch import LOOK, ValveWatch
from soakmon.bench.commands import RefusedError
from soakmon.commission.valve_ways import KILLED, POWER, STOPPED, LastLook
from tests.bench.stepping import Stepped


class Trial:
    """Services on one simulated bench; found: what came of the trials."""

    def __init__(self, folder, then_s=25):
        self.folder, self.found = folder, {}
        self.bench = Stepped(folder, SCENARIOS["dry-rack"])
        self.watch = self.watching("first boot")
        self.bench.start()
        self.run_until_open(then_s)

    def watching(self, boot):
        return ValveWatch(
            self.bench.service, boot, self.found.__setitem__, sleep=self.bench.clock.sleep
        )

    def run_until_open(self, then_s=25):
        for _ in range(200):
            self.bench.run(1 / 3600)
            if self.bench.service.status.feed_open:
                break
        self.bench.run(then_s / 3600)
        assert self.bench.service.status.feed_open

    def gone(self, seconds, *, shut, boot="first boot"):
        """The service is gone for so long, and another one is there."""
        if shut:
            self.bench.simulation.set_feed(False)
        self.bench.clock.sleep(seconds)
        simulation = self.bench.simulation
        self.bench.journal.close()
        self.bench = Stepped(self.folder, SCENARIOS["dry-rack"], simulation=simulation, boot=boot)
        self.watch = self.watching(boot)
        self.watch.judge_last_run()


@pytest.fixture
def trial(tmp_path, monkeypatch):
    # Steps of the test take the place of the thread that looks each second.
    monkeypatch.setattr(threading.Thread, "start", lambda self: None)
    return Trial(tmp_path)


@pytest.mark.parametrize("shut", [True, False])
@pytest.mark.parametrize("way", [STOPPED, KILLED, POWER])
def test_the_next_service_says_whether_the_valve_shut(trial, way, shut):
    trial.watch.arm(way)
    # Nobody types at once: what flows until then is no fault of the valve.
    for _ in range(6):
        trial.bench.run(1 / 3600)
        assert trial.watch.look()
    if way == STOPPED:
        trial.watch.leave()
    trial.gone(22, shut=shut, boot="second boot" if way == POWER else "first boot")
    step = trial.found[way]
    assert step.passed is shut, step.text
    assert not (trial.folder / LOOK).exists()
    # It is told once.
    trial.found.clear()
    trial.watch.judge_last_run()
    assert trial.found == {}


def test_another_way_than_was_to_be_tried_is_told_and_proves_nothing(trial):
    trial.watch.arm(KILLED)
    trial.watch.leave()
    trial.gone(35, shut=True)
    assert trial.found[KILLED].passed is None
    assert "stopped, not killed" in trial.found[KILLED].text


def test_nothing_is_watched_while_the_feed_is_shut(trial):
    trial.bench.service.commands.isolate("invented")
    trial.bench.run(3 / 3600)
    with pytest.raises(RefusedError, match="feed is shut"):
        trial.watch.arm(STOPPED)
    assert LastLook.read(trial.folder / LOOK) is None


def test_a_feed_that_the_guard_shuts_meanwhile_ends_the_trial(trial):
    trial.watch.arm(STOPPED)
    trial.bench.service.commands.isolate("invented")
    trial.bench.run(3 / 3600)
    assert not trial.watch.look()
    assert not (trial.folder / LOOK).exists()


def test_a_trial_that_is_called_off_leaves_nothing_to_be_judged(trial):
    trial.watch.arm(STOPPED)
    trial.watch.disarm()
    trial.watch.leave()
    trial.gone(35, shut=True)
    assert trial.found == {}


@pytest.mark.parametrize("then_s", [6, 12])
def test_a_stream_that_has_just_begun_is_not_measured_yet(tmp_path, monkeypatch, then_s):
    """Half of the time in which it is measured the feed was shut."""
    monkeypatch.setattr(threading.Thread, "start", lambda self: None)
    trial = Trial(tmp_path, then_s)
    with pytest.raises(RefusedError, match="20 s"):
        trial.watch.arm(KILLED)
    trial.bench.run(20 / 3600)
    trial.watch.arm(KILLED)
    assert trial.watch.last.open_g_per_min > 15


def test_too_thin_a_stream_is_refused_with_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr(threading.Thread, "start", lambda self: None)
    trial = Trial(tmp_path)
    trial.bench.run(0.3)  # the rack is full: nothing flows any more
    with pytest.raises(RefusedError, match=r"only -?\d.* g/min"):
        trial.watch.arm(STOPPED)


def test_a_cell_that_is_silent_after_it_is_told(trial, monkeypatch):
    trial.watch.arm(STOPPED)
    trial.watch.leave()
    monkeypatch.setattr(ValveWatch, "_first_mass_g", lambda *_: None)
    trial.gone(35, shut=True)
    assert trial.found[STOPPED].passed is None
    assert "no reading" in trial.found[STOPPED].text
