"""What a record says by itself of what it holds."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from types import SimpleNamespace

import pytest

from soakmon.watch.budget import Budget
from soakmon.watch.decider import Decider
from soakmon.watch.record import RunRecord
from soakmon.watch.settings import Settings

DECIDER = Decider(Settings(false_alarm=0.02), 3)


def record_of(**changed) -> RunRecord:
    return replace(DECIDER.record(), **changed)


def test_the_budget_is_that_of_the_settings_and_gates():
    assert record_of().budget == Budget(0.02, 3)


@pytest.mark.parametrize(("found", "filled_s"), [(True, 900.0), (False, 60.0)])
def test_there_has_been_fuel_since_the_fill_or_as_long_as_the_record(found, filled_s):
    finder = SimpleNamespace(fill=SimpleNamespace(found=found, flows_s=900.0))
    assert record_of(finder=finder, start_s=60.0).filled_s == filled_s


def test_what_was_caught_is_counts_times_what_a_drop_weighs():
    tally = SimpleNamespace(total=[10, 0, 3])
    weep = SimpleNamespace(drop_g=[0.01, 0.01, 0.02])
    assert record_of(tally=tally, weep=weep).caught_g == pytest.approx((0.1, 0.0, 0.06))
    assert record_of(tally=tally, weep=None).caught_g == ()


def test_a_record_is_not_changed_by_what_comes_later():
    decider = Decider(Settings(), 1)
    before = decider.record()
    decider.phases.append(("filling", 9.0))
    decider.finished = True
    assert (before.phases, before.finished) == (DECIDER.record().phases, False)
    with pytest.raises(FrozenInstanceError):
        setattr(before, "finished", True)  # noqa: B010
