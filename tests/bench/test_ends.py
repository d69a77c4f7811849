"""Every soak that began ends with one verdict, wherever it was cut off; what is owed is done."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from sim.parts import SimulatedBench, SteppedClock
from sim.scenarios import SCENARIOS
from soakmon.bench.alarms import Wrong
from soakmon.bench.commands import RefusedError
from soakmon.bench.resume import take_up
from soakmon.records.journal import Journal, connected
from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm
from tests.bench.stepping import Stepped, short
from tests.records.rows import ENTRY, anchor, row

FILLED_H = 0.5


class KilledError(BaseException):
    """The process ends between two statements."""


def begun(folder, hours: float, soak_h: float = 8.0) -> Stepped:
    bench = Stepped(folder, SCENARIOS["dry-rack"], bench=short(soak_h), every_s=4.0)
    bench.start()
    bench.run(hours)
    return bench


def again(folder, bench: Stepped, gap_s: float = 20.0, *, boot: str = "second boot") -> Stepped:
    """The process has died without a word, and is back gap_s later."""
    bench.journal.rows.clear()
    bench.journal.connection.close()
    bench.service.latch.close()
    bench.simulation.set_feed(False)
    bench.clock.sleep(gap_s)
    back = Stepped(
        folder, SCENARIOS["dry-rack"], bench=bench.bench, every_s=bench.every_s, boot=boot,
        simulation=bench.simulation,
    )  # fmt: skip
    back.service.concluded = back.told.append
    take_up(back.service)
    return back


def kinds(journal: Journal, soak: int) -> list[str]:
    return [event.kind for event in journal.read_events(soak)]


class Mortal(sqlite3.Connection):
    """Kills the process before its n-th statement from now on."""

    left: int | None = None

    def execute(self, statement, *values):
        if Mortal.left is not None:
            Mortal.left -= 1
            if Mortal.left < 0:
                raise KilledError
        return super().execute(statement, *values)


def mortal(path) -> sqlite3.Connection:
    connected(path).close()
    connection = sqlite3.connect(path, factory=Mortal, check_same_thread=False)
    connection.isolation_level = None
    return connection


@pytest.mark.parametrize("statement", range(8))
def test_killed_at_any_statement_of_its_end_a_soak_has_one_verdict(tmp_path, statement):
    bench = begun(tmp_path, 0.01)
    bench.journal.writer.connection = mortal(tmp_path / "journal.db")
    Mortal.left = statement
    try:
        bench.service.commands.end("enough")
        ended = True
    except KilledError:
        ended = False
    finally:
        Mortal.left = None
    back = again(tmp_path, bench)
    assert ended == (statement == 7)
    found = kinds(back.journal, 1)
    assert [found.count(kind) for kind in ("verdict", "curve")] == [1, 1]
    assert back.phases().count("ended") == 1
    (entry,) = back.journal.soaks()
    assert entry.verdict.verdict == "not_proven"
    assert back.journal.owed() == [1]
    assert 1 in back.told
    assert not back.simulation.feed_open


@pytest.mark.parametrize("statement", range(6))
def test_killed_at_any_statement_of_its_start_a_soak_has_begun_or_not(tmp_path, statement):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8), every_s=4.0)
    bench.journal.writer.connection = mortal(tmp_path / "journal.db")
    Mortal.left = statement
    try:
        bench.start()
    except KilledError:
        pass
    finally:
        Mortal.left = None
    back = again(tmp_path, bench)
    began = bool(back.journal.soaks())
    assert began == (statement > 4)
    assert ("record" in kinds(back.journal, 1)) == began
    assert [entry.verdict is not None for entry in back.journal.soaks()] == [True] * began


def test_power_that_comes_back_in_preflight_opens_no_feed(tmp_path):
    bench = begun(tmp_path, 0.01)
    assert bench.session.phase is Phase.PREFLIGHT
    back = again(tmp_path, bench)
    back.run(0.1)
    assert "feed" not in back.kinds()
    assert back.session.ended
    assert "start again at the bench" in back.session.reason
    assert back.journal.soaks()[0].verdict.verdict == "not_proven"


def test_a_crash_while_filling_leaves_a_guard_that_knows_it(tmp_path):
    bench = begun(tmp_path, 0.025)
    assert bench.session.phase is Phase.FILLING
    back = again(tmp_path, bench, boot="first boot")
    assert back.simulation.feed_open
    assert not back.service.sampling.guard.filled
    back.run(0.1)
    assert not back.alarms()
    assert back.session.phase in {Phase.FILLING, Phase.SETTLING}


@pytest.mark.parametrize("known", [True, False])
def test_a_long_cut_while_filling_is_the_end_of_it(tmp_path, known):
    bench = begun(tmp_path, 0.025)
    bench.clock.synchronised = lambda: known
    bench.run(0.01)
    back = again(tmp_path, bench, 3600.0)
    assert not back.simulation.feed_open
    assert back.session.ended
    assert "interrupted while filling" in back.session.reason


def test_after_half_an_hour_only_a_person_opens_the_feed(tmp_path):
    bench = begun(tmp_path, FILLED_H)
    assert bench.session.phase is Phase.SOAKING or bench.session.phase is Phase.SETTLING
    back = again(tmp_path, bench, 2000.0)
    assert not back.simulation.feed_open
    assert back.session.phase is Phase.ISOLATING
    back.service.commands.resume_feed(cautions_confirmed=True)
    assert back.simulation.feed_open
    assert back.service.sampling.guard.filled
    back.run(0.01)
    (told,) = back.service.status.interruptions
    assert told.known
    assert told.gap_s == pytest.approx(2000, abs=20)


def test_a_clock_that_stands_before_the_last_reading_knows_no_gap(tmp_path):
    """As a simulated bench's, which begins anew with every start."""
    bench = begun(tmp_path, FILLED_H)
    bench.journal.rows.clear()
    bench.journal.connection.close()
    clock = SteppedClock(1_800_000_000.0)
    clock.sleep(7.0)
    gain = 1 / bench.bench.cell.g_per_count
    world = SimulatedBench(SCENARIOS["dry-rack"], clock, gain, 0.0)
    back = Stepped(
        tmp_path, SCENARIOS["dry-rack"], bench=bench.bench, boot="other", simulation=world
    )
    take_up(back.service)
    assert not back.simulation.feed_open
    (gap,) = back.session.interruptions
    assert not gap.known
    assert gap.gap_s >= 3600
    resumed = [e.data for e in back.journal.read_events(1) if e.kind == "resumed"]
    assert resumed == [{"gap_s": gap.gap_s, "known": False}]


def test_a_soak_that_was_left_is_concluded_and_the_later_one_goes_on(tmp_path):
    journal = Journal(tmp_path / "journal.db")
    left = replace(ENTRY, configuration="{}")
    for number in (1, 2):
        journal.start(left)
        for t_s in range(20 * number):
            journal.add_rows(row(t_s), anchor(t_s))
    journal.finish(39.0, VerdictForm(verdict="tight"))
    third = journal.start(left)
    journal.start(replace(left, gates=2))
    journal.add_rows(row(0, 2), anchor(0))
    journal.close()
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    take_up(bench.service)
    assert bench.session is None
    soaks = bench.journal.soaks()
    assert [soak.verdict.verdict for soak in soaks] == [
        "not_proven", "tight", "not_proven", "not_proven",
    ]  # fmt: skip
    assert soaks[0].ended_t_s == 19
    reasons = [e.data["reason"] for e in bench.journal.read_events() if e.kind == "phase"]
    assert "a later soak began" in reasons[0]
    assert "4 gates now instead of 2" in reasons[-1]
    assert bench.journal.owed() == [1, 2, 3, 4]
    ended = [e.wall_s for e in bench.journal.read_events(1) if e.kind == "verdict"]
    assert ended == [anchor(19).wall_s]
    assert kinds(bench.journal, third) == ["phase", "verdict", "curve"]
    assert len(bench.journal.read_rows(2)) == 40


def test_an_end_that_an_older_program_left_half_is_made_whole_with_its_own_verdict(tmp_path):
    journal = Journal(tmp_path / "journal.db")
    journal.start(ENTRY)
    journal.add_event(9.0, 1.8e9, "phase", {"phase": "ended", "reason": "the time is up"})
    journal.add_event(9.0, 1.8e9, "verdict", {"verdict": "tight"})
    journal.start(ENTRY)
    journal.add_event(9.0, 1.8e9, "phase", {"phase": "ended", "reason": "the time is up"})
    journal.close()
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    take_up(bench.service)
    assert [s.verdict.verdict for s in bench.journal.soaks()] == ["tight", "not_proven"]
    assert kinds(bench.journal, 1).count("verdict") == 1
    assert bench.session is None
    bench.run(0.001)
    assert bench.service.status.phase == "idle"
    assert "verdict" not in bench.service.status.as_dict()


def test_an_alarm_that_the_readings_hold_and_the_events_do_not_is_told(tmp_path):
    bench = begun(tmp_path, FILLED_H)
    bench.journal.rows.clear()
    bench.journal.connection.close()
    bench.service.latch.close()

    def found(*given):
        session = seen(*given)
        push = session.decider.push

        def pushed(rows):
            push(rows)
            if not session.decider.alarms:
                leak = Alarm(session.t_s, "weep", 2, 0.5, "carb 2 weeps")
                session.decider.alarms.append(leak)

        session.decider.push = pushed
        return session

    back = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=bench.bench, simulation=bench.simulation)
    seen = back.service.new_session
    back.service.new_session = found
    take_up(back.service)
    assert back.alarms() == [("weep", 2)]
    assert not back.simulation.feed_open
    assert back.session.phase is Phase.ISOLATING


def test_an_alarm_that_only_the_latch_remembers_is_in_the_soak_again(tmp_path):
    bench = begun(tmp_path, FILLED_H)
    bench.journal.connection.execute("PRAGMA query_only = 1")
    bench.service.sound("flood", "guard: carb 3 overflows", Wrong.FEED)
    bench.run(0.01)
    assert not bench.alarms()
    back = again(tmp_path, bench)
    assert back.alarms() == [("flood", None)]
    assert [alarm.text for alarm in back.session.unacknowledged] == ["guard: carb 3 overflows"]
    assert not back.simulation.feed_open
    third = again(tmp_path, back)
    assert len(third.alarms()) == 1


def test_a_soak_is_judged_by_the_bench_as_it_was_when_it_began(tmp_path):
    bench = begun(tmp_path, 0.05)
    was = bench.session.settings
    rack = bench.bench.rack.model_copy(update={"bowl_volume_ml": 55.0})
    bench.bench = bench.bench.model_copy(update={"rack": rack})
    back = again(tmp_path, bench)
    assert back.service.bench.rack.bowl_volume_ml == 55
    assert back.session.settings == was


def test_readings_at_which_the_program_fails_have_a_verdict_all_the_same(tmp_path):
    bench = begun(tmp_path, 0.01)

    def broken():
        raise ZeroDivisionError("a fault in the program")

    bench.session.decider.finish = broken
    bench.service.commands.end("enough")
    verdict = bench.journal.soaks()[0].verdict
    assert verdict.verdict == "not_proven"
    assert "a fault in the program" in verdict.reason
    assert not bench.simulation.feed_open


def test_a_soak_that_cannot_be_taken_up_ends_and_the_service_starts(tmp_path):
    bench = begun(tmp_path, 0.05)
    bench.journal.connection.execute("UPDATE batch SET rows = x'00', crc = NULL WHERE id = 1")
    back = again(tmp_path, bench)
    assert back.session is None
    assert back.journal.soaks()[0].verdict is not None
    assert not back.simulation.feed_open


def test_a_soak_does_not_begin_on_a_disk_that_does_not_take_it(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.journal.connection.execute("PRAGMA query_only = 1")
    bench.journal.add_event(0.0, 0.0, "note", {})
    with pytest.raises(RefusedError, match="the journal cannot be written"):
        bench.start()
    assert bench.session is None
    bench.journal.connection.execute("PRAGMA query_only = 0")
    bench.start()
    assert [soak.id for soak in bench.journal.soaks()] == [1]


def start_by_command(bench: Stepped):
    asked = bench.service.worker.call(
        lambda: bench.service.commands.start_soak("t", None, cautions_confirmed=True)
    )
    bench.service.worker.drain()
    return asked


def test_a_start_is_answered_when_the_disk_has_it(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    taken = []
    asked = bench.service.worker.call(
        lambda: bench.service.commands.start_soak("t", None, cautions_confirmed=True)
    )
    asked.add_done_callback(lambda _: taken.extend(bench.journal.soaks()))
    bench.service.worker.drain()
    assert [soak.id for soak in taken] == [asked.result(0)]


def test_a_start_that_the_disk_does_not_take_after_all_is_refused_and_over(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"])
    bench.journal.connection.execute("PRAGMA query_only = 1")
    asked = start_by_command(bench)
    with pytest.raises(RefusedError, match=r"did not take the beginning.*try again"):
        asked.result(0)
    assert bench.session.ended
    bench.run(0.1)
    assert not bench.simulation.feed_open
    bench.journal.connection.execute("PRAGMA query_only = 0")
    assert start_by_command(bench).result(0) == 2
    outcomes = [soak.verdict and soak.verdict.verdict for soak in bench.journal.soaks()]
    assert outcomes == ["not_proven", None]
