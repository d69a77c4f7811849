"""Counts at a gate: bursts are not drops, drops are not bursts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch.company import Count, Near
from soakmon.watch.flicker import STAYS, Flicker
from soakmon.watch.gate import GateEvidence
from soakmon.watch.weep import GATE_PRIOR, LEAKS

ALONE = Near(0.0, 0.0, False, 0.0)


def ratio(times_s: np.ndarray) -> float:
    """Log-ratio of a leak at a gate that counted at these times of an eight-hour soak."""
    gate = GateEvidence(LEAKS / DROP_G, 0.02, 0.0)
    for t_s in times_s:
        gate.add(Count(float(t_s), 1.0, float(t_s), math.nan), ALONE)
    _, ratios = gate.log_ratio(8 * 3600.0)
    return float(np.logaddexp.reduce((ratios + np.log(GATE_PRIOR)).ravel()))


def bursts(rng: np.random.Generator) -> np.ndarray:
    """Leaves before the sun: some minutes of an hour with many counts, most with none."""
    minutes = rng.gamma(0.25, 4.0, 60)
    counts = rng.poisson(minutes)
    starts = np.repeat(20_000 + 60.0 * np.arange(60), counts)
    return np.sort(starts + rng.uniform(0, 60, counts.sum()))


@pytest.mark.parametrize("seed", range(6))
def test_bursts_are_not_taken_for_drops(seed):
    times_s = bursts(np.random.default_rng(seed))
    assert len(times_s) > 10
    assert ratio(times_s) < 0


@pytest.mark.parametrize("every_s", [15.0, 60.0, 600.0, 3600.0])
def test_regular_drops_are_taken_for_a_leak(every_s):
    steps = every_s * np.random.default_rng(1).lognormal(0, 0.08, 60)
    times_s = 5000 + np.cumsum(steps)
    assert ratio(times_s[times_s < 8 * 3600]) > 10


@pytest.mark.parametrize("stays", STAYS)
def test_what_may_happen_in_two_minutes_has_a_chance_of_one(stays):
    rate = 1e-4

    def chance(first: int, second: int) -> float:
        """Of so many counts, wherever in their minutes."""
        flicker = Flicker(0.0, stays, rate)
        for t_s in [1.0] * first + [61.0] * second:
            flicker.add(t_s)
        together = math.lgamma(first + 1) + math.lgamma(second + 1)
        return math.exp(flicker.until(119.0) + (first + second) * math.log(60.0) - together)

    counts = range(150)
    assert sum(chance(a, b) for a in counts for b in counts) == pytest.approx(1.0, abs=0.01)


def test_a_quiet_gate_is_hardly_surprising():
    flicker = Flicker(0.0, 0.99, 1e-9)
    assert -2.0 < flicker.until(24 * 3600.0) < 0.0


def test_dark_counts_need_no_stretch():
    flicker = Flicker(0.0, 0.99, 1e-5)
    for t_s in (3600.0, 40_000.0):
        flicker.add(t_s)
    assert flicker.until(80_000.0) == pytest.approx(2 * math.log(1e-5), abs=3.0)


def test_one_minute_by_hand():
    flicker = Flicker(0.0, 0.99, 1e-5)
    flicker.add(10.0)
    flicker.add(20.0)
    quiet = 0.999 * math.exp(-6e-4) * 1e-5**2
    lit = 0.001 * 0.5 / 6 * 2 / 60**2
    assert flicker.until(59.0) == pytest.approx(math.log(quiet + lit))
