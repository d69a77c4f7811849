"""What three far readings were, a cell that stands still, and the noise of one reading."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.disturbance import (
    DisturbanceKind,
    FreezeWatch,
    NoiseGauge,
    RunningMedian,
    judge,
    still_falling,
)

NOISE_G, SIP_G = 0.01, 0.5


@pytest.mark.parametrize(
    ("residual_g", "kind"),
    [
        ([-0.3, -0.3, -0.3], DisturbanceKind.SIP),
        ([-0.5, -0.5, -0.5], DisturbanceKind.SIP),
        ([-0.6, -0.6, -0.6], DisturbanceKind.BUMP),
        ([-0.3, -0.6, -0.9], DisturbanceKind.FLOW),
        ([1.0, 1.0, 1.0], DisturbanceKind.BUMP),
        ([15.0, 15.0, 15.0], DisturbanceKind.BUMP),
        ([15.1, 15.1, 15.1], DisturbanceKind.REFILL),
    ],
)
def test_what_a_step_was(residual_g, kind):
    judged = judge(np.array(residual_g), NOISE_G, SIP_G)
    assert judged == (kind, pytest.approx(np.median(residual_g[-2:])))


def test_what_is_not_over_is_waited_for():
    assert judge(np.array([5.0, 5.0, 5.3]), NOISE_G, SIP_G) is None  # somebody is still at it
    assert judge(np.array([5.0, 5.0, 5.09]), NOISE_G, SIP_G) is not None  # to 2 % of the step
    assert judge(np.array([5.0, 5.0, 5.12]), NOISE_G, SIP_G) is None
    slow = np.array([-0.1, -0.15, -0.2])
    assert judge(slow, NOISE_G, SIP_G) is None  # needles sip for a minute or two
    assert judge(np.linspace(-0.1, -0.4, 8), NOISE_G, SIP_G) == (
        DisturbanceKind.FLOW,
        pytest.approx(-0.38, abs=0.01),
    )
    assert judge(np.array([5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0]), NOISE_G, SIP_G) is not None


def test_a_fall_goes_on_by_a_tenth_or_by_three_sd():
    assert still_falling(np.array([-1.0, -1.11, -1.22]), NOISE_G)
    assert not still_falling(np.array([-1.0, -1.09, -1.18]), NOISE_G)
    assert still_falling(np.array([-0.1, -0.14, -0.18]), NOISE_G)
    assert not still_falling(np.array([-0.1, -0.125, -0.15]), NOISE_G)


def test_a_flow_keeps_its_pace_and_what_is_lifted_does_not():
    assert still_falling(np.array([-2.0, -10.0, -60.0]), NOISE_G)
    assert not still_falling(np.array([133.0, 11.0, -1628.0]), NOISE_G)
    assert judge(np.array([133.0, 11.0, -1628.0]), NOISE_G, SIP_G) is None
    assert not still_falling(np.array([-1.0, -50.0, -52.0]), NOISE_G)


def frozen_after(*stretches):
    """Minutes until a cell counts as frozen: stretches of readings, one after the other."""
    watch = FreezeWatch()
    readings = [mass_g for stretch in stretches for mass_g in stretch]
    found = [watch.add(mass_g, frozen=True) for mass_g in readings]
    return found.index(True) if True in found else None


def test_a_cell_that_moved_and_stands_for_a_quarter_of_an_hour_is_frozen():
    moving = 300.0 + 0.01 * np.arange(100)
    # The first equal reading is the second of them.
    assert frozen_after(moving, [310.0] * 30) == 100 + 15


def test_a_coarse_cell_repeats_itself_and_is_frozen_after_three_hours_only():
    coarse = 300.0 + 0.1 * (np.arange(100) // 4)
    assert frozen_after(coarse, [310.0] * 100) is None
    assert frozen_after(coarse, [310.0] * 200) == 100 + 180


def test_the_running_median_forgets_the_oldest():
    median = RunningMedian(3)
    for value in (9.0, 1.0, 2.0, 3.0):
        median.add(value)
    assert median.median == 2.0
    median.add(10.0)
    assert median.median == 3.0


def gauge_of(readings_g):
    gauge = NoiseGauge()
    for mass_g in readings_g:
        gauge.add(mass_g)
    return gauge


def test_white_noise_is_found_from_neighbours():
    white = 300.0 + np.random.default_rng(1).normal(0.0, 0.05, 240)
    assert gauge_of(white).sd_g(np.nan) == pytest.approx(0.05, rel=0.15)
    assert gauge_of(white).sd_g(0.2) == 0.2  # seen inside the step


def test_what_walks_is_not_taken_for_white():
    walk = 300.0 + np.cumsum(np.random.default_rng(1).normal(0.0, 0.05, 240))
    assert gauge_of(walk).sd_g(np.nan) < 0.02
    # Of fewer than half an hour nobody can tell.
    assert gauge_of(walk[:20]).sd_g(np.nan) > 0.02


def test_noise_is_never_less_than_this():
    assert gauge_of([300.0] * 40).sd_g(np.nan) == 0.003
    steps = [300.0 + 0.1 * (k // 5 % 2) for k in range(40)]  # a cell that reads by tenths
    assert gauge_of(steps).sd_g(np.nan) == pytest.approx(0.03)


@pytest.mark.parametrize("part", [0.2, 0.5, 0.8])
def test_a_step_behind_a_minute_that_was_a_little_off_is_no_flow(part):
    """It fell within a minute, and two averages show it; the next one tells."""
    fallen_g = -36.0
    held = [-0.07, part * fallen_g, fallen_g]
    assert judge(np.array(held), 0.003, 0.5) is None
    assert judge(np.array([*held, fallen_g]), 0.003, 0.5) == (DisturbanceKind.BUMP, fallen_g)
    # What flows on has gone further by then.
    kind, _ = judge(np.array([*held, 1.5 * fallen_g]), 0.003, 0.5)
    assert kind is DisturbanceKind.FLOW
