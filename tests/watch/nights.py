"""Hand-made nights for the decider's tests: simple equations, known truth, no simulator."""

from __future__ import annotations

import numpy as np

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.physics.expectation import expected_loss
from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings

# The bench of these nights, as somebody has measured it.
BENCH = Settings(geometry=BenchGeometry(), priors=DESCRIBED)


def night(
    seed: int,
    *,
    leak_g_per_h: float = 0.0,
    onset_h: float = 0.0,
    carb: int | None = None,
    evaporation: float = 1.0,
    hours: float = 24.0,
    spacing_s: float = 5.0,
) -> Rows:
    """A soak after filling on the default bench, with a leak or none, drops at `carb` if given."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, hours * 3600, spacing_s)
    n = len(t_s)
    air_c = 20 + 2.5 * np.sin(2 * np.pi * (t_s / 86400 + rng.uniform()))
    lost = expected_loss(BENCH.geometry, BENCH.fuel, t_s, air_c).best_g
    leaked = np.maximum(0, t_s / 3600 - onset_h) * leak_g_per_h
    wander = np.cumsum(rng.normal(0, 0.02 * np.sqrt(spacing_s / 3600), n))
    mass = 330 - evaporation * lost - leaked + wander + rng.normal(0, 0.04, n)
    mass += 0.04 * rng.normal() * (air_c - 20)
    spikes = rng.random(n) < 0.001
    mass[spikes] += rng.choice([-1, 1], spikes.sum()) * 10 ** rng.uniform(0, 3, spikes.sum())
    drops = np.zeros((n, 4))
    if carb is not None:
        drops[1:, carb - 1] = np.diff(np.floor(leaked / DROP_G))
    return Rows(t_s, np.round(mass, 3), np.round(air_c, 2), drops)
