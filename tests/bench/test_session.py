"""A soak through the service, on simulated parts: phases, alarms, valve, verdict."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim.faults import Defect, Kind
from sim.scenario import Happenings
from sim.scenarios import SCENARIOS
from soakmon.bench.alarms import Wrong
from soakmon.bench.commands import RefusedError
from soakmon.bench.feed import Feed
from soakmon.bench.ports import Press
from soakmon.bench.session import Session
from soakmon.watch.decide import decide
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Outcome
from tests.bench.stepping import Stepped, short

pytestmark = pytest.mark.long


def test_a_tight_rack_runs_through_all_phases_to_its_verdict(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(2), every_s=2.0)
    bench.start()
    bench.run(4)
    assert bench.phases() == ["preflight", "filling", "settling", "soaking", "ended"]
    assert bench.session.outcome is Outcome.NOT_PROVEN
    assert not bench.simulation.feed_open
    assert bench.journal.soaks()[0].verdict.verdict == "not_proven"


def test_rows_that_waited_behind_the_start_are_not_the_soaks(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    for _ in range(3600):
        bench.clock.sleep(1.0)
        bench.service.sampling.sample()
    bench.start()
    bench.service.worker.drain()
    assert bench.session.t_s == 0.0
    bench.run(0.05)
    assert bench.phases() == ["preflight", "filling"]


def test_a_leak_isolates_shuts_the_feed_and_ends_with_the_cause(tmp_path):
    scenario = replace(
        SCENARIOS["dry-rack"],
        defects=(Defect(Kind.BOWL_JOINT, 2, 0.9, depth_mm=20.0, patch_mm2=5.0),),
    )
    bench = Stepped(tmp_path, scenario, every_s=2.0)
    bench.start()
    bench.run(6)
    assert bench.phases()[-2:] == ["isolating", "ended"]
    assert ("weep", 2) in bench.alarms()
    assert not bench.simulation.feed_open
    verdict = bench.session.decision.verdict
    assert verdict.outcome is Outcome.LEAKING
    assert (verdict.suspects[0].cause, verdict.suspects[0].carb) == ("bowl_joint_weep", 2)


def test_a_leak_that_stops_with_the_feed_shut_stays_a_leak(tmp_path):
    scenario = replace(
        SCENARIOS["dry-rack"], defects=(Defect(Kind.RAIL_JOINT, 3, 0.6, caught=0.5),)
    )
    bench = Stepped(tmp_path, scenario, every_s=2.0)
    bench.start()
    bench.run(11)
    verdict = bench.session.decision.verdict
    assert bench.phases()[-2:] == ["isolating", "ended"]
    assert verdict.outcome is Outcome.LEAKING
    assert verdict.suspects[0].cause == "rail_joint_weep"
    assert 0.2 < verdict.leak_g_per_h.best < 1.0


def test_the_verdict_is_that_of_a_replay_of_the_journal(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["overflow-tube-crack"], every_s=2.0)
    bench.start()
    bench.run(6)
    rows = bench.journal.read_rows(1)
    replayed = decide(rows, bench.bench.settings()).verdict
    served = bench.session.decision.verdict
    assert replayed.outcome is served.outcome
    assert replayed.suspects == served.suspects
    assert replayed.leak_g_per_h == served.leak_g_per_h
    assert replayed.drops == served.drops


def test_a_stuck_needle_is_shut_off_by_the_guard_within_seconds(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    bench.run(0.2)
    events = bench.journal.read_events()
    shut_s = next(e.t_s for e in events if e.kind == "feed" and not e.data["open"])
    first_s = next(
        drop[1] for e in events if e.kind == "drops" for drop in e.data["drops"] if drop[0] == 3
    )
    assert 0 < shut_s - first_s < 10
    assert not bench.simulation.feed_open
    assert bench.session.phase == "isolating"


def test_preflight_refuses_a_bench_that_is_not_fit(tmp_path):
    bench = Stepped(tmp_path, replace(SCENARIOS["dry-rack"], filled_ml=60.0))
    bench.start()
    bench.run(0.1)
    assert bench.phases() == ["preflight", "ended"]
    assert "fill the bottle" in bench.session.reason
    assert "feed" not in bench.kinds()


@pytest.mark.parametrize(
    ("happening", "says"),
    [
        (Happenings(stuck_gate=2), "gate 2"),
        (Happenings(freeze_s=0.0), "never moves"),
    ],
)
def test_preflight_names_what_is_broken(tmp_path, happening, says):
    bench = Stepped(tmp_path, replace(SCENARIOS["dry-rack"], happenings=happening))
    bench.start()
    bench.run(0.1)
    assert bench.session.ended
    assert says in bench.session.reason


def test_no_flow_is_said_to_be_a_shut_tap(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.start()
    world: Any = bench.simulation.world
    advance = world.advance
    world.advance = lambda s, *, feed_open: advance(s, feed_open=False)
    bench.run(0.4)
    assert ("starved", None) in bench.alarms()
    assert "tap" in bench.session.reason


def test_a_full_rack_is_soaked_again(tmp_path):
    """As the bench itself advises: ended, and begun again with the bowls full."""
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(1.0), every_s=2.0)
    bench.start()
    bench.run(0.9)
    bench.service.commands.end("by command")
    again = bench.service.commands.start_soak("again", None, cautions_confirmed=True, filled=True)
    bench.run(0.9)
    events = bench.journal.read_events(again)
    phases = [event.data["phase"] for event in events if event.kind == "phase"]
    assert phases == ["preflight", "filling", "settling", "soaking"]
    assert bench.session.soaked_s > 0
    assert not bench.session.alarms


def test_commands_are_refused_when_they_make_no_sense(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    service = bench.service
    with pytest.raises(RefusedError, match="cautions"):
        service.commands.start_soak("t", None, cautions_confirmed=False)
    for command in (lambda: service.commands.isolate("x"), lambda: service.commands.end("x")):
        with pytest.raises(RefusedError, match="no soak"):
            command()
    bench.start()
    with pytest.raises(RefusedError, match="end it first"):
        bench.start()
    with pytest.raises(RefusedError, match="still shut"):
        service.commands.isolate("x")
    with pytest.raises(RefusedError, match="not isolated"):
        service.commands.resume_feed(cautions_confirmed=True)


def test_isolation_by_command_and_back(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3), every_s=2.0)
    bench.start()
    bench.run(1)
    bench.service.commands.isolate("alarm: in the words of whoever asks")
    assert not bench.simulation.feed_open
    bench.run(0.2)
    assert bench.service.status.shut_itself is False
    with pytest.raises(RefusedError, match="cautions"):
        bench.service.commands.resume_feed(cautions_confirmed=False)
    bench.service.commands.resume_feed(cautions_confirmed=True)
    assert bench.simulation.feed_open
    assert bench.session.phase == "soaking"


def test_a_soak_that_is_shut_while_filling_waits_for_nobody_longer_than_its_time(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(0.5), every_s=4.0)
    bench.start()
    bench.run(0.03)
    assert bench.session.phase is Phase.FILLING
    bench.service.sound("bench", "the load cell is blind", Wrong.FAILED)
    bench.run(0.4)
    assert bench.session.phase is Phase.ISOLATING
    bench.run(0.2)
    assert bench.session.ended
    assert bench.session.outcome is Outcome.NOT_PROVEN
    assert "the load cell is blind" in bench.session.decision.verdict.reason


def test_acknowledging_stops_the_buzzer_but_not_the_lamp(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    bench.run(0.15)
    assert bench.simulation.lamp
    assert bench.simulation.buzzer
    bench.simulation.presses.append(Press.SHORT)
    bench.run(0.01)
    assert bench.simulation.lamp
    assert not bench.simulation.buzzer
    assert "ack" in bench.kinds()
    assert {alarm.acknowledged_by for alarm in bench.service.status.alarms} == {
        "the button at the bench"
    }


def test_holding_the_button_ends_the_soak(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.start()
    bench.run(0.2)
    bench.simulation.presses.append(Press.HELD)
    bench.run(0.01)
    assert bench.session.ended
    assert not bench.simulation.feed_open


def test_a_wall_clock_that_jumps_changes_no_duration(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(1), every_s=2.0)
    bench.start()
    for jump_s in (3 * 3600.0, -3600.0, -1_800_000_000.0):
        bench.run(0.4)
        bench.clock.wall_offset_s += jump_s
    bench.run(2)
    rows = bench.journal.read_rows(1)
    assert np.diff(rows.t_s).max() < 3
    assert bench.session.decision.verdict.duration_s == pytest.approx(rows.t_s[-1], abs=2)
    assert not [e for e in bench.journal.read_events() if e.kind == "fault"]


def test_the_bottle_that_will_run_dry_is_foretold():
    feed = Feed(None, None, tuple, lambda: 0.0)
    session = Session(short(24), 4, lambda *_: None, feed)
    rng = np.random.default_rng(4)
    session.t_s, session.phase = 7200.0, Phase.SOAKING
    session.forecast.minutes = [
        (t_s, 20 - 4 * t_s / 3600 + float(rng.normal(0, 0.05))) for t_s in np.arange(0.0, 7201, 60)
    ]
    assert session.dry_at_s() / 3600 == pytest.approx(5.0, abs=0.05)
    session.forecast.minutes = [
        (t_s, 20 + float(rng.normal(0, 0.05))) for t_s, _ in session.forecast.minutes
    ]
    assert session.dry_at_s() is None
