"""Faults of sensors and bench, from what a run has shown."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from soakmon.watch.faults import gate_faults, lost_nothing, other_faults
from soakmon.watch.verdict import Alarm, Band

WEEP_AT_2 = Alarm(5.0, "weep", 2, 1.0, "carb 2")


def run(*, total=0, hit=0, rows=1000, blank=0, **tally):
    """A run of a gate, of which so much was counted in so many rows."""
    seen = {
        "gates": 1, "total": [total], "rows_hit": [hit], "rows_seen": rows, "blank": [blank],
        "times": [[7.0]], "no_air_s": 0.0, "temperature_lost_s": math.nan, "knocks_s": [],
    }  # fmt: skip
    return SimpleNamespace(
        tally=SimpleNamespace(**seen | tally), start_s=0.0, soak_s=100.0, empty_s=math.nan,
        curve=curve(observed_g=2.0), evaporation=SimpleNamespace(bottle_hose_g=2.0),
        weep=SimpleNamespace(drop_g=[0.01]),
    )  # fmt: skip


def curve(*, observed_g, best_g=2.0, least_feed=0.5):
    return SimpleNamespace(
        observed_g=lambda: observed_g,
        evaporated=lambda: Band(best_g, best_g, best_g),
        expected=lambda: Band(best_g, best_g - 1.0, best_g + 1.0),
        spread=SimpleNamespace(least_feed=least_feed),
    )


@pytest.mark.parametrize(
    ("counted", "kinds"),
    [
        ({}, []),
        ({"blank": 500}, []),
        ({"blank": 501}, ["gate_stuck"]),
        ({"total": 11, "hit": 11}, []),
        ({"total": 12, "hit": 12}, ["gate_noise"]),
        ({"total": 300, "hit": 200}, ["gate_noise"]),
        ({"total": 300, "hit": 201}, ["gate_stuck"]),
    ],
)
def test_a_gate_that_is_mute_or_never_stops_or_counts_what_is_no_fuel(counted, kinds):
    assert [fault.kind for fault in gate_faults(run(**counted), [])] == kinds


def test_counts_at_a_gate_with_a_leak_are_drops_and_beside_one_they_may_be():
    counted = run(total=40, hit=40)
    assert gate_faults(counted, [Alarm(5.0, "weep", 1, 1.0, "carb 1")]) == []
    (alone,) = gate_faults(counted, [])
    (beside,) = gate_faults(counted, [WEEP_AT_2])
    assert beside.kind == alone.kind == "gate_noise"
    assert beside.text != alone.text
    assert beside.t_s == 7.0


def test_counts_are_only_said_to_be_no_fuel_where_the_bottle_denies_it():
    """Of 2 g lost 1 g at least evaporated: a hundred drops of 10 mg are about the most."""
    (denied,) = gate_faults(run(total=180, hit=180), [])
    (possible,) = gate_faults(run(total=99, hit=99), [])
    unknown = run(total=180, hit=180)
    unknown.curve = curve(observed_g=None)
    assert possible.text.replace("99", "180") == gate_faults(unknown, [])[0].text
    assert denied.text != gate_faults(unknown, [])[0].text


def test_knocks_are_told_ten_minutes_apart_and_no_more_than_fifty():
    close = run(knocks_s=[0.0, 600.0, 601.0, 1201.0, 1202.0])
    assert [fault.t_s for fault in other_faults(close)] == [0.0, 601.0, 1202.0]
    assert len(other_faults(run(knocks_s=[700.0 * k for k in range(80)]))) == 50


def test_a_missing_temperature_and_an_empty_bottle():
    assert other_faults(run(no_air_s=600.0)) == []
    (fault,) = other_faults(run(no_air_s=660.0, temperature_lost_s=3.0))
    assert (fault.kind, fault.t_s) == ("temperature_missing", 3.0)
    assert "11 min" in fault.text
    dry = run()
    dry.empty_s = 50.0
    assert [fault.kind for fault in other_faults(dry)] == ["bottle_empty"]


@pytest.mark.parametrize(
    ("bottle_hose_g", "best_g", "observed_g", "dead"),
    [
        (0.28, 0.3, 0.0, False),  # half of it is less than shows
        (0.32, 0.3, 0.0, True),
        (0.32, 0.3, 0.2, False),
        (0.1, 0.9, 0.0, False),
        (0.1, 1.1, 0.05, True),  # less than a twentieth
        (0.1, 1.1, 0.06, False),
        (5.0, 5.0, None, False),  # no reading at the end
    ],
)
def test_a_bridge_that_only_looks_alive_loses_nothing(bottle_hose_g, best_g, observed_g, dead):
    record = run()
    record.evaporation.bottle_hose_g = bottle_hose_g
    record.curve = curve(observed_g=observed_g, best_g=best_g)
    assert lost_nothing(record) is dead
    assert [fault.kind for fault in other_faults(record)] == (["cell_frozen"] if dead else [])
