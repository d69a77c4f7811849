"""A drip that breathes with the sips of a needle: hand-made bowls, no simulator."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch import sips
from soakmon.watch.decide import watched
from soakmon.watch.evidence import evidence
from soakmon.watch.leak_estimates import leak_at
from soakmon.watch.settings import Settings
from soakmon.watch.several_leaks import explained
from soakmon.watch.sips import Drip, drip
from soakmon.watch.verdict import Cause
from tests.watch import nights

JOINT, CRACK = Cause.BOWL_JOINT_WEEP, Cause.OVERFLOW_TUBE_CRACK
AREA_MM2, G_PER_MM3 = 1200.0, 0.74e-3


def dripping(
    seed: int, *, depth_mm: float, power: float, sip_mm: float, g_per_h: float = 0.5
) -> Drip:
    """A day of a bowl that sinks by sip_mm between sips, leaking depth_mm below its level."""
    rng = np.random.default_rng(seed)
    step_s, evaporates = 10.0, 0.02
    t_s = np.arange(0.0, 86400.0, step_s)
    level, out = 0.0, np.zeros(len(t_s))
    for index in range(len(t_s)):
        out[index] = g_per_h * (1 + level / depth_mm) ** power * step_s / 3600
        level -= (out[index] + evaporates * step_s / 3600) / (AREA_MM2 * G_PER_MM3)
        if level < -sip_mm:
            level = 0.0
    due = np.cumsum(DROP_G * rng.lognormal(0, 0.06, 4000))
    times = np.interp(due[due < out.sum()], np.cumsum(out), t_s)
    return drip(times, np.ones(len(times)), DROP_G, t_s, evaporates * t_s / 3600)


@pytest.mark.parametrize("sip_mm", [0.15, 0.25])
def test_a_leak_close_below_the_level_breathes(sip_mm):
    for seed in range(5):
        seen = dripping(seed, depth_mm=4.0, power=2.0, sip_mm=sip_mm)
        assert sips.likelihood(CRACK, seen) > 20
        assert sips.likelihood(CRACK, seen) > 5 * sips.likelihood(JOINT, seen)


def test_a_leak_that_the_feed_drives_does_not():
    for seed in range(10):
        seen = dripping(seed, depth_mm=4000.0, power=1.0, sip_mm=0.2)
        assert sips.likelihood(CRACK, seen) < 0.7
        assert 0.3 < sips.likelihood(JOINT, seen) < 3


@pytest.mark.parametrize("cause", [Cause.RAIL_JOINT_WEEP, Cause.NEEDLE_WEEP])
def test_nothing_is_said_of_what_the_feed_drives(cause):
    assert sips.likelihood(cause, dripping(1, depth_mm=4.0, power=2.0, sip_mm=0.2)) == 1.0


def test_few_drops_say_nothing():
    times = np.arange(20) * 600.0
    seen = drip(times, np.ones(20), DROP_G, times, np.zeros(20))
    assert sips.likelihood(CRACK, seen) == sips.likelihood(JOINT, seen) == 1.0


def test_stray_counts_and_missed_drops_are_no_breath():
    rng = np.random.default_rng(3)
    times = np.cumsum(600.0 * np.exp(rng.normal(0, 0.05, 140)))
    times = np.sort(np.append(np.delete(times, [20, 71, 90]), [3e4, 5.1e4]))
    seen = drip(times, np.ones(len(times)), DROP_G, times, times * 5e-6)
    assert sips.likelihood(CRACK, seen) < 2


@given(st.lists(st.floats(0.5, 4000), min_size=1, max_size=80), st.integers(1, 3))
def test_a_likelihood_is_a_positive_number(gaps, count):
    times = np.cumsum(gaps)
    counts = np.full(len(times), float(count))
    seen = drip(times, counts, DROP_G, np.array([0.0, 1e6]), np.array([0.0, 5.0]))
    for cause in (CRACK, JOINT, Cause.RAIL_JOINT_WEEP):
        value = sips.likelihood(cause, seen)
        assert np.isfinite(value)
        assert value > 0


@pytest.mark.parametrize("spacing_s", [1.0, 60.0])
def test_drops_that_beat_against_the_rows_are_no_breath(spacing_s):
    """Regular drops, one in two or three rows: the rows make a pattern that is not the bowl's."""
    g_per_h = 3600 * nights.DROP_G / (2.4 * spacing_s)
    rows = nights.night(2, leak_g_per_h=g_per_h, carb=2, spacing_s=spacing_s, hours=6)
    decider = watched(rows, Settings(), phase="soaking")
    mass = decider.weep.mass_log_ratio()
    (found,) = explained([leak_at(decider, decider.weep, mass, a) for a in decider.alarms])
    assert decider.tally.total[1] > 100
    assert evidence(decider, found, [found]).drip is None
