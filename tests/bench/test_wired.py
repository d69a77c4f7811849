"""Soaks through the real drivers on mock pins end as a replay of their journal does."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.scenarios import SCENARIOS
from soakmon.watch.decide import decide
from soakmon.watch.verdict import Verdict
from tests.bench.wired import Wired, wired_bench

pytestmark = pytest.mark.long

# Hours in which each night shows what it is; the benchmark runs all of them whole.
NIGHTS = {
    "needle-stuck-open": 1.5,
    "overflow-tube-crack": 3.0,
    "dry-rack": 2.0,
    "cell-freezes": 7.5,
}


def judged(folder: Path, name: str, hours: float, every_s: float) -> tuple[Wired, Verdict, Verdict]:
    """The bench after its soak, the verdict it gave and that of its journal's rows."""
    bench = Wired(folder, SCENARIOS[name], bench=wired_bench(hours), every_s=every_s)
    bench.start()
    bench.run(hours + 2)
    served = bench.session.decision.verdict
    replayed = decide(bench.journal.read_rows(1), bench.bench.settings()).verdict
    return bench, served, replayed


@pytest.mark.parametrize("name", NIGHTS)
def test_a_soak_over_the_pins_and_a_replay_of_its_journal_agree(tmp_path, name):
    every_s = 0.5 if name == "needle-stuck-open" else 4.0
    bench, served, replayed = judged(tmp_path, name, NIGHTS[name], every_s)
    assert bench.session.ended
    assert not bench.factory.pin(bench.bench.valve.pin).state
    assert served.outcome is replayed.outcome
    assert served.suspects == replayed.suspects
    assert served.drops == replayed.drops
    truth = SCENARIOS[name]
    assert (served.outcome.value == "leaking") is ("leaking" in truth.outcomes)
    alarmed = {alarm.carb for alarm in bench.session.alarms if alarm.carb}
    assert alarmed == set(truth.carbs)
