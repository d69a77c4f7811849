"""Crashes at random instants over a soak: nothing committed is lost, nothing doubled."""

from __future__ import annotations

import numpy as np
import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.resume import take_up
from tests.bench.stepping import Stepped, short

pytestmark = pytest.mark.long


def soak_with_crashes(folder, crashes: int, hours: float, every_s: float) -> Stepped:
    """A soak whose process dies `crashes` times without a word and is back after seconds."""
    rng = np.random.default_rng(21)
    bench = Stepped(folder, SCENARIOS["dry-rack"], bench=short(hours), every_s=every_s)
    bench.start()
    for _ in range(crashes):
        bench.run(float(rng.uniform(0.5, 1.5)) * hours / (crashes + 1))
        if bench.session is None or bench.session.ended:
            break
        committed = bench.journal.read_rows(1)
        bench.journal.rows.clear()
        bench.journal.connection.close()
        bench.simulation.set_feed(False)
        bench.clock.sleep(float(rng.uniform(2, 20)))
        again = Stepped(
            folder, SCENARIOS["dry-rack"], bench=bench.bench, every_s=every_s,
            simulation=bench.simulation,
        )  # fmt: skip
        take_up(again.service)
        assert again.journal.check() == "ok"
        kept = again.journal.read_rows(1)
        assert kept is None or np.array_equal(kept.t_s, committed.t_s)
        bench = again
    bench.run(2 * hours + 2)
    return bench


def test_twenty_crashes_leave_the_verdict_as_it_was(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    crashed = soak_with_crashes(tmp_path / "a", 20, 8.0, 4.0)
    whole = soak_with_crashes(tmp_path / "b", 0, 8.0, 4.0)
    rows = crashed.journal.read_rows(1)
    assert np.all(np.diff(rows.t_s) > 0)
    assert crashed.session.ended
    one, other = crashed.session.decision.verdict, whole.session.decision.verdict
    assert one.outcome is other.outcome
    assert not one.alarms
    assert one.observed_loss_g == pytest.approx(other.observed_loss_g, abs=0.15)


def test_a_journal_that_cannot_be_written_is_told_and_the_soak_goes_on(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(2), every_s=2.0)
    bench.start()
    bench.run(0.5)
    bench.journal.connection.execute("PRAGMA query_only = 1")
    bench.run(0.2)
    assert "cannot be written" in bench.service.status.journal_trouble
    assert not bench.session.ended
    bench.journal.connection.execute("PRAGMA query_only = 0")
    bench.run(3)
    assert bench.service.status.journal_trouble == ""
    rows = bench.journal.read_rows(1)
    assert np.diff(rows.t_s).max() < 3
    assert bench.session.ended
