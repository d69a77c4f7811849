"""Trouble that lasts is told while something can be done about it, once, with what to do."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.scenario import Happenings
from sim.scenarios import SCENARIOS
from soakmon.bench.alarms import Wrong
from soakmon.bench.resume import take_up
from tests.bench.stepping import Stepped, short


def begun(folder, happenings, hours=2.0):
    scenario = replace(SCENARIOS["dry-rack"], happenings=happenings)
    bench = Stepped(folder, scenario, bench=short(hours), every_s=5.0)
    bench.start()
    return bench


def test_a_blind_gate_is_trouble_and_one_alarm_and_the_feed_stays_open(tmp_path):
    bench = begun(tmp_path, Happenings(stuck_gate=2, stuck_s=900))
    bench.run(0.3)
    assert bench.service.status.blind_gates == (2,)
    assert bench.service.status.ails == ()  # an insect goes by itself
    bench.run(0.2)
    (ail,) = bench.service.status.ails
    assert (ail.code, ail.carb) == ("gate_blind", 2)
    assert ail.since_s == pytest.approx(900, abs=60)
    assert "clean gate 2" in ail.todo
    bench.run(0.3)
    (alarm,) = bench.session.alarms
    assert (alarm.kind, alarm.carb, alarm.code) == ("bench", 2, "gate_blind")
    assert bench.simulation.feed_open
    again = Stepped(
        tmp_path, SCENARIOS["dry-rack"], bench=bench.bench, every_s=5.0,
        simulation=bench.simulation,
    )  # fmt: skip
    take_up(again.service)
    again.run(0.7)
    assert len(again.session.alarms) == 1  # told once, also over a restart
    (ail,) = again.service.status.ails
    assert "start again: this soak cannot prove tight" in ail.todo


def test_a_frozen_cell_is_trouble_until_it_moves(tmp_path):
    bench = begun(tmp_path, Happenings(freeze_s=3600))
    bench.run(1.7)
    (ail,) = bench.service.status.ails
    assert ail.code == "cell_frozen"
    assert [alarm.code for alarm in bench.session.alarms] == ["cell_frozen"]
    bench.session.end("enough")
    bench.run(0.01)
    assert bench.service.status.ails == ()


def test_only_alarms_that_were_seen_are_acknowledged(tmp_path):
    bench = begun(tmp_path, Happenings(stuck_gate=2, stuck_s=600))
    bench.run(0.5)
    seen = [alarm.uid for alarm in bench.service.status.alarms]
    assert len(seen) == 1
    bench.service.sound("bench", "something new", Wrong.PANEL, shut=False)
    bench.service.worker.drain()
    assert bench.service.commands.acknowledge(seen) == 1
    assert [alarm.text for alarm in bench.session.unacknowledged] == ["something new"]
    (event,) = [event for event in bench.journal.read_events() if event.kind == "ack"]
    assert event.data["uids"] == seen
    assert bench.service.commands.acknowledge() == 1
