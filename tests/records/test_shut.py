"""A verdict says that the bench has shut the feed, and never calls a flood tight."""

from __future__ import annotations

from dataclasses import replace

import pytest

from soakmon.records.shut import NO_FLOW, with_bench
from soakmon.watch.verdict import Alarm, Band, Outcome, Verdict

NOTHING = Band(0.0, 0.0, 0.0)
TIGHT = Verdict(
    Outcome.TIGHT, "no leak", 86400.0, 4.0, NOTHING, NOTHING, 0.05, (0,), (), (), ()
)  # fmt: skip
FLOOD = Alarm(7200.0, "flood", None, None, "guard: fuel runs out fast", "fast", "f")
HUNG = Alarm(3600.0, "bench", None, None, "no sign of life from the worker", "hung", "h")
WEEP = Alarm(3600.0, "weep", 2, 1.0, "carb 2 drips", uid="w")


def test_nothing_happened():
    assert with_bench(TIGHT, [], set()) == TIGHT


def test_trouble_for_which_the_feed_was_shut_is_in_the_verdict():
    found = with_bench(TIGHT, [HUNG], {HUNG.text})
    assert found.outcome is Outcome.TIGHT
    assert found.reason == "no leak; the bench shut the feed 1:00 h after the start: " + HUNG.text
    assert found.alarms == (HUNG,)


def test_trouble_that_did_not_shut_the_feed_is_not():
    assert with_bench(TIGHT, [HUNG], set()) == TIGHT


def test_a_flood_that_the_guard_alone_saw_is_never_tight():
    found = with_bench(TIGHT, [FLOOD, HUNG], {FLOOD.text, HUNG.text})
    assert found.outcome is Outcome.NOT_PROVEN
    assert "shut the feed" in found.reason
    assert found.alarms == (HUNG, FLOOD)


def test_what_is_not_proven_names_the_bench_first():
    weak = replace(TIGHT, outcome=Outcome.NOT_PROVEN, reason="soak longer")
    assert with_bench(weak, [HUNG], {HUNG.text}).reason.endswith(HUNG.text)


def test_a_soak_that_never_got_fuel_says_so():
    dry = Alarm(900.0, "starved", None, None, "no fuel flows: the tap is shut", NO_FLOW, "d")
    weak = replace(TIGHT, outcome=Outcome.NOT_PROVEN, reason="the run ended: soak longer")
    found = with_bench(weak, [dry], set())
    assert found.reason == dry.text
    assert found.alarms == (dry,)


def test_a_leak_stays_a_leak():
    leaking = replace(TIGHT, outcome=Outcome.LEAKING, reason="leak at carb 2", alarms=(WEEP,))
    found = with_bench(leaking, [WEEP, FLOOD], {FLOOD.text, "alarm: carb 2 drips"})
    assert (found.outcome, found.reason) == (Outcome.LEAKING, "leak at carb 2")
    assert found.alarms == (WEEP, FLOOD)


@pytest.mark.parametrize("outcome", [Outcome.TIGHT, Outcome.NOT_PROVEN])
def test_a_feed_that_was_never_opened_proves_nothing(outcome):
    found = with_bench(replace(TIGHT, outcome=outcome), [], set(), "preflight failed: cell")
    assert found.outcome is Outcome.NOT_PROVEN
    assert found.reason == "the feed was not opened: preflight failed: cell"
