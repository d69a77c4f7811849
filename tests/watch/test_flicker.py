"""Counts at a gate: bursts are not drops, drops are not bursts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.flicker import KINDS, Blocks, Flicker
from soakmon.watch.gate import GateEvidence
from soakmon.watch.weep import LEAKS, RATE_PRIOR

DROP_G = 0.0133


def ratio(times_s: np.ndarray) -> float:
    """Log-ratio of a leak at a gate that counted at these times of an eight-hour soak."""
    gate = GateEvidence(LEAKS / DROP_G, 0.02, 0.0)
    for t_s in times_s:
        gate.add(float(t_s), 1, 1.0)
    _, ratios = gate.log_ratio(8 * 3600.0)
    return float(np.logaddexp.reduce((ratios + np.log(RATE_PRIOR)).ravel()))


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


def test_the_numbers_of_counts_in_a_block_are_probabilities():
    for blocks in KINDS:
        n = np.arange(1, 200_000)
        chances = (blocks.many + 1) / ((n + blocks.many) * (n + blocks.many + 1))
        assert chances.sum() == pytest.approx(1.0, abs=1e-3)


def test_a_quiet_gate_is_hardly_surprising():
    flicker = Flicker(0.0, Blocks(600.0, 0.8, 0))
    assert -2.0 < flicker.until(24 * 3600.0) < 0.0


def test_one_block_by_hand():
    flicker = Flicker(0.0, Blocks(600.0, 0.8, 0))
    flicker.add(10.0)
    flicker.add(20.0)
    expected = math.log(0.01) + math.log(1 / 6) + math.log(2) - 2 * math.log(600)
    assert flicker.until(599.0) == pytest.approx(expected)
