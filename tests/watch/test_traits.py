"""What a run shows of the bench itself, on made records."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from soakmon.watch.tally import Tally
from soakmon.watch.traits import CellSeen, Traits, traits_of
from soakmon.watch.verdict import Alarm

H, START_S = 3600.0, 4000.0
WEEP = Alarm(0.0, "weep", 2, 1.0, "")
STARVED = Alarm(0.0, "starved", 2, None, "")


def record_of(hours: float = 13.0, **changed) -> SimpleNamespace:
    tally = Tally(2)
    filters = SimpleNamespace(zero_g_per_c=(0.02, 0.05), drift_g_per_root_h=0.07)
    made = {
        "start_s": START_S,
        "soak_s": START_S,
        "last_s": START_S + hours * H,
        "last_row_s": START_S + hours * H,
        "mass_running": True,
        "finished": True,
        "weep": SimpleNamespace(filter=filters),
        "tally": tally,
    }
    return SimpleNamespace(**(made | changed))


def test_a_cell_is_seen_over_half_a_day():
    assert traits_of(record_of(12.1), []).cell == CellSeen(0.02, 0.05, 0.07)
    assert traits_of(record_of(11.9), []).cell is None
    assert traits_of(record_of(mass_running=False), []).cell is None
    assert traits_of(record_of(weep=None), []).cell is None
    # The soak has no clock before it begins.
    assert traits_of(record_of(soak_s=math.nan), []).cell is None


def test_counts_by_the_whole_hour_since_the_first_row():
    record = record_of(2.5)
    for t_s, count in ((START_S + 100.0, 1), (START_S + H, 2), (START_S + 2 * H, 7)):
        record.tally.times[0].append(t_s)
        record.tally.counts[0].append(count)
    seen = traits_of(record, []).gates
    assert [(one.carb, one.counts) for one in seen] == [(1, (1, 2)), (2, (0, 0))]


@pytest.mark.parametrize(("alarms", "gates"), [([WEEP], 0), ([STARVED], 2), ([], 2)])
def test_what_a_leak_dripped_is_nobodys_dark_rate(alarms, gates):
    assert len(traits_of(record_of(), alarms).gates) == gates


def test_a_gate_that_was_blind_and_a_run_that_goes_on_tell_nothing():
    record = record_of()
    record.tally.blank[0] = 1
    assert [one.carb for one in traits_of(record, []).gates] == [2]
    assert traits_of(record_of(finished=False), []).gates == ()
    assert traits_of(record_of(0.9, weep=None), []) == Traits()
