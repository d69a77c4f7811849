"""A rack that fills through a kink, minute by minute."""

from __future__ import annotations

import math

import pytest

from soakmon.watch.flow_log import FlowLog
from soakmon.watch.thin_flow import ThinFlow
from tests.watch.test_flow_log import weighed


def flowed(paces_g_per_min: list[float], *, falls: bool = False) -> ThinFlow:
    """What is known after so many minutes of such losses from 500 g on."""
    log, flow, mass_g = FlowLog(), ThinFlow(), 500.0
    for minute, pace in enumerate(paces_g_per_min):
        mass_g -= pace
        log.add(weighed(60.0 * (minute + 1), mass_g))
        flow.step(log, falls=falls)
    return flow


@pytest.mark.parametrize(("pace", "flows"), [(0.39, False), (0.41, True), (6.0, True)])
def test_no_evaporation_goes_on_at_the_pace_of_a_fill(pace, flows):
    assert flowed([0.0] * 15 + [pace] * 20).flows == flows


def test_it_began_where_the_look_back_begins():
    flow = flowed([0.0] * 11 + [1.0] * 10)
    # Told once half of the ten losses are its: the look back began five minutes before them.
    assert flow.since_s == pytest.approx(60.0 * 6)
    assert flow.from_g == pytest.approx(500.0)
    assert flow.g_per_min == pytest.approx(1.0)


def test_it_flows_from_the_second_highest_of_the_masses_looked_back_on():
    """A tenth of a gram a minute evaporates before the flow."""
    flow = flowed([0.1] * 10 + [1.0] * 5)
    assert flow.from_g == pytest.approx(500.0 - 0.1 * 6)
    assert (ThinFlow().g_per_min, ThinFlow().flows) == (0.0, False)


def test_the_beginning_stays_while_it_flows_and_goes_with_it():
    assert flowed([0.0] * 11 + [1.0] * 60).since_s == flowed([0.0] * 11 + [1.0] * 10).since_s
    ended = flowed([0.0] * 11 + [1.0] * 60 + [0.0] * 20)
    assert not ended.flows
    assert math.isnan(ended.from_g)


def test_a_hand_on_the_bottle_begins_nothing():
    assert not flowed([0.0] * 20 + [40.0, -40.0] + [0.0] * 8).flows


def test_what_drops_out_under_the_bowls_fills_none():
    assert not flowed([0.0] * 11 + [1.0] * 30, falls=True).flows
