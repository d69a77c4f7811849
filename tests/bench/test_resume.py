"""A soak goes on after a crash, and says what it missed."""

from __future__ import annotations

import numpy as np
import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.resume import take_up
from tests.bench.stepping import Stepped, short

pytestmark = pytest.mark.long


def crashed_and_back(tmp_path, bench: Stepped, *, gap_s: float, boot: str) -> Stepped:
    """The process dies without a word and starts again gap_s later."""
    bench.journal.rows.clear()
    bench.journal.connection.close()
    bench.simulation.set_feed(False)
    bench.clock.sleep(gap_s)
    again = Stepped(
        tmp_path, SCENARIOS["dry-rack"], bench=bench.bench, boot=boot,
        every_s=bench.every_s, simulation=bench.simulation,
    )  # fmt: skip
    take_up(again.service)
    return again


@pytest.mark.parametrize("boot", ["first boot", "second boot"])
def test_a_soak_goes_on_with_what_it_knew_and_the_gap_in_the_record(tmp_path, boot):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3), every_s=2.0)
    bench.start()
    bench.run(1.5)
    before = bench.session
    committed_s = bench.journal.resume()[1].t_s
    again = crashed_and_back(tmp_path, bench, gap_s=1200.0, boot=boot)
    assert again.session.phase == "soaking"
    assert again.simulation.feed_open
    assert again.session.decider.finder.fill.taken_g == before.decider.finder.fill.taken_g
    assert again.session.t_s == pytest.approx(committed_s + 1200, abs=18)
    again.run(4)
    rows = again.journal.read_rows(1)
    assert np.all(np.diff(rows.t_s) > 0)
    assert np.diff(rows.t_s).max() == pytest.approx(1200, abs=20)
    events = again.journal.read_events(1)
    assert [e.data["known"] for e in events if e.kind == "resumed"] == [True]
    assert "gap" in {fault.kind for fault in again.session.decision.verdict.faults}
    assert again.phases()[-1] == "ended"


def test_a_soak_that_goes_on_is_told_before_anything_was_read(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3), every_s=2.0)
    bench.start()
    bench.run(0.5)

    def broken() -> None:
        raise OSError("the gates do not answer")

    again = crashed_and_back(tmp_path, bench, gap_s=60.0, boot="first boot")
    again.service.parts.gates.edges = broken
    again.service.sampling.sample()
    again.service.worker.drain()
    assert again.service.status.phase == str(again.session.phase)
    assert again.service.status.t_s > 0
    assert again.service.status.mass_g is None


def test_after_a_power_cut_without_a_right_clock_the_gap_is_of_unknown_length(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3), every_s=2.0)
    bench.clock.synchronised = lambda: False
    bench.start()
    bench.run(1.0)
    again = crashed_and_back(tmp_path, bench, gap_s=600.0, boot="second boot")
    resumed = [e for e in again.journal.read_events(1) if e.kind == "resumed"]
    assert [e.data["known"] for e in resumed] == [False]
    assert not again.simulation.feed_open
    assert again.session.phase == "isolating"


def test_alarms_and_acknowledgements_survive_and_keep_the_feed_shut(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], every_s=0.5)
    bench.start()
    bench.run(0.15)
    assert bench.session.alarms[0].code == "storm"
    assert bench.session.shut_itself
    bench.service.commands.acknowledge(by="ada\x1b")
    again = crashed_and_back(tmp_path, bench, gap_s=30.0, boot="first boot")
    assert again.session.alarms == bench.session.alarms
    assert again.session.shut_itself
    (known,) = set(again.session.acknowledged.values())
    assert known.startswith("ada")
    assert "\x1b" not in known
    assert not again.session.unacknowledged
    assert not again.simulation.feed_open


def test_a_finished_soak_is_not_taken_up_again(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(0.5), every_s=2.0)
    bench.start()
    bench.run(2)
    assert bench.session.ended
    again = crashed_and_back(tmp_path, bench, gap_s=30.0, boot="first boot")
    assert again.session is None


def test_what_is_done_between_two_readings_shows_at_once(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3), every_s=2.0)
    bench.start()
    bench.run(0.3)
    assert bench.service.status.feed_open
    bench.service.later(bench.service.commands.isolate)
    bench.service.worker.drain()
    assert not bench.service.status.feed_open
    assert bench.service.status.phase == "isolating"
