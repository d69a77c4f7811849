"""How often a gate may count without a drop: what the other gates count tells.

Light, dust and the bench's electronics are much the same at all gates, so their dark rates are
spread about one of the bench; now and then a single gate is a noisy one.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.logs import log_sum
from soakmon.watch.rows import Floats

# Dark rate as a multiple of the expected one, and its weight for a bench (judgement; no rate was
# ever published).
_RATES = judgement(
    (
        (0.25, 0.32),
        (1.0, 0.4),
        (3.0, 0.21),
        (10.0, 0.045),
        (30.0, 0.012),
        (100.0, 0.006),
        (300.0, 0.004),
        (1000.0, 0.003),
    ),
    ("times", "weight"),
)
MULTIPLES: Floats = np.array([multiple for multiple, _ in _RATES])
_BENCH: Floats = np.log([weight for _, weight in _RATES])
# Chance that a gate is one step beside its bench, to either side; that it is noisy by itself; that
# what it counts is something else: drops, flicker.
_BESIDE = judgement(0.2, "chance")
_NOISY = judgement(0.005, "chance")
_ELSE = judgement(0.1, "chance")
# A gate that is noisy by itself counts so many times what is expected, or more (judgement).
_NOISY_FROM = judgement(10.0, "times")


@cache
def _log_gate_given_bench() -> Floats:
    """(bench, gate) log-weights."""
    size = len(MULTIPLES)
    near = (1 - 2 * _BESIDE) * np.eye(size) + _BESIDE * (np.eye(size, k=1) + np.eye(size, k=-1))
    near /= near.sum(axis=1, keepdims=True)
    noisy = np.where(MULTIPLES >= _NOISY_FROM, 1.0, 0.0)
    weights = (1 - _NOISY) * near + _NOISY * noisy / noisy.sum()
    return np.asarray(np.log(np.maximum(weights, 1e-12)))


def log_weights(counts: list[int], dark_per_h: float, hours: float) -> Floats:
    """Log-weights of a gate's MULTIPLES, the other gates having counted so much in these hours."""
    bench, given = _BENCH.copy(), _log_gate_given_bench()
    mean = MULTIPLES * max(dark_per_h * hours, 1e-9)
    for count in counts:
        poisson = count * np.log(mean) - mean - math.lgamma(count + 1)
        dark = log_sum(given + poisson, 1) + math.log(1 - _ELSE)
        # Anything else is as likely to make any count, on a logarithmic scale.
        other = math.log(_ELSE) - math.log((count + 1) * (count + 2))
        bench += np.logaddexp(dark, other)
    bench -= log_sum(bench)
    return np.asarray(log_sum(bench[:, None] + given, 0))
