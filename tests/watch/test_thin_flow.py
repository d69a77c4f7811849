"""A rack that fills through a kink, minute by minute."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.flow_log import FlowLog
from soakmon.watch.thin_flow import ThinFlow
from tests.watch.test_flow_log import weighed

TAKES_G = 120.0
# Filled within five hours.
LEAST = 0.4


def flowed(
    paces_g_per_min: list[float], *, falls: bool = False, drops: int = 0, noise_g: float = 0.0
) -> ThinFlow:
    """What is known after so many minutes of such losses from 500 g on, with drops in each."""
    log, flow, mass_g = FlowLog(), ThinFlow(TAKES_G), 500.0
    off_g = np.random.default_rng(2).normal(0.0, noise_g, len(paces_g_per_min))
    for minute, pace in enumerate(paces_g_per_min):
        mass_g -= pace
        average = weighed(60.0 * (minute + 1), mass_g + off_g[minute])
        log.add(replace(average, drops=np.array([float(drops)])))
        flow.step(log, falls=falls)
    return flow


@pytest.mark.parametrize(("pace", "flows"), [(0.39, False), (0.41, True), (6.0, True)])
def test_no_evaporation_goes_on_at_the_pace_of_a_fill(pace, flows):
    assert flowed([0.0] * 15 + [pace] * 25).flows == flows


@given(takes_g=st.floats(10.0, 500.0))
def test_what_fills_has_filled_within_five_hours(takes_g):
    """However small it is: one bowl fills as thinly as that."""
    assert ThinFlow(takes_g).least_g_per_min * 300 == pytest.approx(takes_g)


def test_it_began_when_the_bottle_last_weighed_what_it_had():
    flow = flowed([0.0] * 17 + [1.0] * 8)
    # Told once half of the losses are its.
    assert flow.since_s == pytest.approx(60.0 * 17)
    assert flow.from_g == pytest.approx(500.0)
    assert flow.g_per_min == pytest.approx(0.5)


@pytest.mark.parametrize(("pace", "flows"), [(0.19, False), (0.21, True)])
def test_it_ends_at_half_the_pace_of_the_thinnest(pace, flows):
    assert flowed([0.0] * 17 + [1.0] * 20 + [pace] * 25).flows == flows


def test_a_cell_that_scatters_shows_no_thin_flow():
    assert not flowed([0.0] * 60, noise_g=3.0).flows
    assert flowed([1.0] * 60, noise_g=0.3).flows


@pytest.mark.parametrize(("drops", "flows"), [(0, True), (16, True), (18, False)])
def test_what_drips_out_by_a_quarter_of_it_fills_nothing(drops, flows):
    assert flowed([0.0] * 17 + [1.0] * 20, drops=drops).flows == flows


def test_it_flows_from_the_second_highest_of_the_masses_looked_back_on():
    """A tenth of a gram a minute evaporates before the flow."""
    flow = flowed([0.1] * 17 + [1.0] * 8)
    assert flow.from_g == pytest.approx(500.0 - 0.1 * 10)
    assert (ThinFlow(TAKES_G).g_per_min, ThinFlow(TAKES_G).flows) == (0.0, False)


def test_the_beginning_stays_while_it_flows_and_goes_with_it():
    assert flowed([0.0] * 17 + [1.0] * 60).since_s == flowed([0.0] * 17 + [1.0] * 8).since_s
    ended = flowed([0.0] * 17 + [1.0] * 60 + [0.0] * 20)
    assert not ended.flows
    assert math.isnan(ended.from_g)


def test_a_hand_on_the_bottle_begins_nothing():
    assert not flowed([0.0] * 20 + [40.0, -40.0] + [0.0] * 8).flows
    assert not flowed([0.0] * 20 + [20.0, 20.0] + [0.0] * 8).flows


def test_what_drops_out_under_the_bowls_fills_none():
    assert not flowed([0.0] * 17 + [1.0] * 30, falls=True).flows
