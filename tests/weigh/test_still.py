"""A bench at rest: noise, what swings, drift; of invented readings with a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.weigh.still import still


def readings(seed, *, minutes=10, noise_g=0.02, swing_g=0.0, period_s=7.0, drift_g_per_h=0.0):
    rng = np.random.default_rng(seed)
    t_s = np.arange(60.0 * minutes)
    mass_g = 450 + rng.normal(0, noise_g, len(t_s)) + drift_g_per_h * t_s / 3600
    return t_s, mass_g + swing_g * np.sin(2 * np.pi * t_s / period_s)


def test_noise_and_drift_are_found_as_large_as_they_are():
    noises, pulls = [], []
    for seed in range(40):
        found = still(*readings(seed, noise_g=0.02, drift_g_per_h=0.3))
        noises.append(found.noise_g)
        pulls.append((found.drift_g_per_h - 0.3) / found.drift_u_g_per_h)
    assert np.mean(noises) == pytest.approx(0.02, rel=0.05)
    assert np.std(pulls) < 1.6
    assert abs(np.mean(pulls)) < 0.5


def test_what_swings_is_named_with_its_period_and_white_noise_is_none():
    found = still(*readings(1, swing_g=0.05, period_s=7.0))
    assert found.swing_g == pytest.approx(0.05, rel=0.25)
    assert found.swing_s == pytest.approx(7.0, rel=0.02)
    quiet = [still(*readings(seed)).swing_g for seed in range(200)]
    assert sum(swing > 0 for swing in quiet) <= 1


def test_a_knock_is_not_noise_and_too_few_readings_say_nothing():
    t_s, mass_g = readings(3)
    mass_g[200:203] += 40.0
    assert still(t_s, mass_g).noise_g == pytest.approx(0.02, rel=0.15)
    mass_g[50:] = np.nan
    assert still(t_s, mass_g) is None
