"""What was known when the process ended is known when it starts again, whatever the disk took."""

from __future__ import annotations

import pytest

from sim.scenarios import SCENARIOS
from soakmon.records.latch import Latch
from tests.bench.stepping import Stepped, short
from tests.bench.test_resume import crashed_and_back


def alarms_of(bench: Stepped) -> list[dict]:
    return [e.data for e in bench.journal.read_events() if e.kind == "alarm"]


@pytest.fixture
def flooding(tmp_path) -> Stepped:
    """Filling, a moment before the guard finds that a needle is stuck open."""
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    while bench.session.phase != "filling":
        bench.run(1 / 3600)
    assert bench.simulation.feed_open
    return bench


def flood(bench: Stepped) -> None:
    while bench.simulation.feed_open:
        bench.run(0.5 / 3600)


def test_a_flood_on_a_disk_that_takes_nothing_is_known_after_the_crash(flooding, tmp_path):
    heard = []
    flooding.service.listeners.append(lambda *told: heard.append(told))
    flooding.journal.connection.execute("PRAGMA query_only = 1")
    flood(flooding)
    told = [data for _, kind, data in heard if kind == "alarm"]
    assert "flood" in {data["kind"] for data in told}
    assert flooding.simulation.buzzer
    again = crashed_and_back(tmp_path, flooding, gap_s=3.0, boot="first boot")
    assert not again.simulation.feed_open
    assert again.session.phase == "isolating"
    flood_told = next(data for data in told if data["kind"] == "flood")
    assert flood_told in alarms_of(again)
    again.run(0.1)
    assert not again.simulation.feed_open
    assert again.service.latch.note.code == "storm"


def test_an_alarm_that_the_journal_has_is_not_raised_again(flooding, tmp_path):
    flood(flooding)
    before = alarms_of(flooding)
    again = crashed_and_back(tmp_path, flooding, gap_s=3.0, boot="first boot")
    assert alarms_of(again) == before
    assert again.session.alarms == flooding.session.alarms


def test_a_latch_that_did_not_come_to_disk_is_latched_again_from_the_journal(flooding, tmp_path):
    flood(flooding)
    flooding.journal.commit()
    flooding.service.latch.lift()
    again = crashed_and_back(tmp_path, flooding, gap_s=3.0, boot="first boot")
    assert again.service.latch.reasons
    assert Latch(again.service.latch.path).reasons
    assert not again.simulation.feed_open


@pytest.mark.parametrize("lost", ["alarm", "feed", "phase"])
def test_killed_before_an_event_of_a_leak_is_in_it_stays_shut(tmp_path, lost):
    """Rows are on disk that make the decider raise an alarm; what it then said is not."""
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    # The guard sees nothing, so that the decider is first.
    bench.service.sampling.guard.step = lambda sample: []
    add, gone = bench.journal.add_event, []

    def dies(t_s, wall_s, kind, data, soak=None):
        if gone or (bench.session.alarms and kind == lost):
            gone.append(kind)
            return
        add(t_s, wall_s, kind, data)

    bench.journal.add_event = dies
    while not gone:
        bench.run(1 / 3600)
    bench.journal.commit()
    # Nor did the latch come to disk.
    bench.service.latch.lift()
    again = crashed_and_back(tmp_path, bench, gap_s=3.0, boot="first boot")
    assert not again.simulation.feed_open
    # Ended, where the rack was still being filled.
    assert again.session.phase in {"isolating", "ended"}
    assert "flood" in {alarm.kind for alarm in again.session.alarms}
    assert len([a for a in alarms_of(again) if not a["code"]]) == 1


def test_a_power_cut_in_preflight_leaves_the_feed_shut_when_it_is_over(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.start()
    bench.run(30 / 3600)
    assert Latch(tmp_path / "latch").reason is not None
    again = crashed_and_back(tmp_path, bench, gap_s=4 * 3600.0, boot="second boot")
    again.run(0.5)
    assert not any(e.kind == "feed" and e.data["open"] for e in again.journal.read_events())
    assert not again.simulation.feed_open


def test_a_feed_that_was_shut_by_command_stays_shut_though_the_journal_took_nothing(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8))
    bench.start()
    bench.run(0.06)
    bench.journal.connection.execute("PRAGMA query_only = 1")
    bench.service.commands.isolate("by command")
    bench.service.worker.drain()
    again = crashed_and_back(tmp_path, bench, gap_s=3.0, boot="first boot")
    assert not again.simulation.feed_open
    # Ended, where the rack was still being filled.
    assert again.session.phase in {"isolating", "ended"}
    assert "by command" in again.session.reason


def test_a_latch_that_was_lost_with_a_soak_running_keeps_the_feed_shut(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8))
    bench.start()
    bench.run(0.06)
    (tmp_path / "latch").unlink()
    again = crashed_and_back(tmp_path, bench, gap_s=3.0, boot="first boot")
    assert not again.simulation.feed_open
    # Ended, where the rack was still being filled.
    assert again.session.phase in {"isolating", "ended"}


def test_an_alarm_of_an_idle_bench_is_there_after_a_restart_until_it_is_acknowledged(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.service.latch.allocate()
    bench.journal.connection.execute("PRAGMA query_only = 1")
    bench.simulation.vapour = True
    bench.run(2 / 3600)
    bench.simulation.vapour = None
    again = crashed_and_back(tmp_path, bench, gap_s=3.0, boot="first boot")
    again.run(2 / 3600)
    assert [alarm.code for alarm in again.service.status.alarms] == ["vapour"]
    assert again.simulation.buzzer
    assert again.service.commands.acknowledge() == 1
    again.run(2 / 3600)
    assert not again.simulation.buzzer


def test_a_soak_does_not_begin_where_nothing_can_be_latched(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("soakmon.records.latch.os.posix_fallocate", full)
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    with pytest.raises(Exception, match="No space left"):
        bench.start()
    assert bench.session is None
    assert bench.service.feed.open() != ""


def test_a_person_who_confirms_the_cautions_opens_a_latched_feed(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8))
    bench.start()
    bench.run(0.06)
    bench.simulation.vapour = True
    bench.run(2 / 3600)
    assert bench.session.phase == "isolating"
    with pytest.raises(Exception, match="vapour"):
        bench.service.commands.resume_feed(cautions_confirmed=True)
    bench.simulation.vapour = None
    bench.run(2 / 3600)
    bench.service.commands.resume_feed(cautions_confirmed=True)
    bench.run(60 / 3600)
    assert bench.simulation.feed_open
    assert Latch(tmp_path / "latch").reason is None
