"""When floods are looked for: not before there is a rack, by the mass not while it fills."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch.flood_layer import FloodLayer
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows

WEEP = SimpleNamespace(drop_g=[0.01])


def finder(phase: Phase, *, filling: bool = False, dies_away: bool = False):
    fill = SimpleNamespace(
        log=SimpleNamespace(dies_away=dies_away),
        spare_g=lambda t_s: 0.0, rush_g=lambda t_s: 0.0,
    )  # fmt: skip
    return SimpleNamespace(
        phase=str(phase), fills_fast=filling, fill=fill, may_be_filling=lambda t_s: filling
    )


def alarms(where, *, weep=WEEP, drops_per_s: float = 0.0, flooded: bool = False):
    """What a loss of 400 g/h from the tenth minute on gives alarm of, in rows of a second."""
    t_s = np.arange(1200.0)
    mass_g = 300 - 400 / 3600 * np.maximum(t_s - 600, 0)
    mass_g += np.random.default_rng(1).normal(0, 0.02, len(t_s))
    drops = np.zeros((len(t_s), 4))
    drops[600:, 1] = np.diff(np.floor(drops_per_s * np.arange(601.0)))
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), drops)
    layer, found = FloodLayer(0.5), []
    for k in range(0, len(rows), 10):
        part = rows.part(k, k + 10)
        found += layer.push(part, where, weep, flooded=flooded or bool(found))
    return [(alarm.kind, alarm.carb) for alarm in found]


def test_a_fall_that_no_gate_sees_is_a_flood_of_a_full_rack():
    assert alarms(finder(Phase.SOAKING)) == [("flood", None)]
    assert alarms(finder(Phase.SETTLING)) == [("flood", None)]


@pytest.mark.parametrize(
    "where",
    [
        finder(Phase.IDLE),
        finder(Phase.FILLING, filling=True),
        finder(Phase.SOAKING, filling=True),
        finder(Phase.SETTLING, dies_away=True),
    ],
)
def test_the_mass_falls_while_a_rack_fills(where):
    assert alarms(where) == []


def test_a_storm_at_a_gate_is_a_flood_and_the_fall_is_not_told_beside_it():
    assert alarms(finder(Phase.SOAKING), drops_per_s=10.0) == [("flood", 2)]


def test_a_fall_is_not_told_where_a_flood_is_known():
    assert alarms(finder(Phase.SOAKING), flooded=True) == []


def test_before_the_rack_fills_nothing_is_looked_for():
    assert alarms(finder(Phase.IDLE), weep=None, drops_per_s=10.0) == []
    filling = finder(Phase.FILLING, filling=True)
    assert alarms(filling, weep=None, drops_per_s=10.0) == [("flood", 2)]


def test_a_weight_that_hangs_there_may_be_taken_off_through_a_slow_filter():
    """Six grams within two minutes; a flood goes on beyond them."""
    t_s = np.arange(1200.0)
    off_g = 6.0 * (1 - np.exp(-np.maximum(t_s - 600, 0) / 60))
    noise_g = np.random.default_rng(1).normal(0, 0.02, len(t_s))

    def told(mass_g, hung_g: float) -> bool:
        rows = Rows(t_s, mass_g + noise_g, np.full(len(t_s), 20.0), np.zeros((len(t_s), 4)))
        layer, found = FloodLayer(0.5), []
        for k in range(0, len(rows), 10):
            part = rows.part(k, k + 10)
            where = finder(Phase.SOAKING)
            found += layer.push(part, where, WEEP, flooded=bool(found), hung_g=hung_g)
        return bool(found)

    assert not told(300 - off_g, 9.0)
    assert told(300 - off_g, 0.0)
    assert told(300 - 400 / 3600 * np.maximum(t_s - 600, 0), 9.0)
