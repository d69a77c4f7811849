"""How long a beam is dark, in ms, by what darkens it."""

from __future__ import annotations

import math

import numpy as np

from sim.blend import Floats

_DROP_MM, _DROP_G = 3.25, 0.0133  # a ball of petrol so wide weighs that
_SATELLITE_MM = 0.6
_G_MM_PER_S2 = 9810.0
# A lip stands so far above its beam, and a beam is so wide (common practice, judgement): a drop of
# 3.25 mm is before it for 2 to 14 ms, its satellite for 0.4 to 1 ms.
_FALL_MM, _BEAM_MM = (5.0, 100.0), (0.0, 1.0)
_SCATTER = 0.08

# From, to: mains spikes last microseconds, vibration and wires that touch milliseconds, a hand, a
# moth, a headlight seconds. Drawn evenly on a logarithmic scale (judgement).
MAINS_MS = (0.003, 0.3)
SHAKEN_MS = (0.5, 60.0)
LIGHT_MS = (80.0, 20_000.0)
INSECT_MS = (150.0, 10_000.0)
FLICKER_MS = (1.0, 1_000.0)
# Counts of unknown cause are those that a driver took for drops: none shorter or longer.
DARK_MS = (0.2, 1_000.0)


def log_uniform(limits: tuple[float, float], count: int, rng: np.random.Generator) -> Floats:
    """Values (count,) between two limits, evenly on a logarithmic scale."""
    low, high = (math.log(limit) for limit in limits)
    return np.asarray(np.exp(rng.uniform(low, high, count)))


class Beams:
    """Fall height and beam of each gate: how long its drops and their satellites are before it."""

    def __init__(self, drop_g: list[float], rng: np.random.Generator) -> None:
        self.rng = rng
        gates = len(drop_g)
        fall_mm = log_uniform(_FALL_MM, gates, rng)
        self.beam_mm: Floats = rng.uniform(*_BEAM_MM, gates)
        self.mm_per_ms: Floats = np.sqrt(2 * _G_MM_PER_S2 * fall_mm) * 1e-3
        self.drop_mm = [_DROP_MM * (g / _DROP_G) ** (1 / 3) for g in drop_g]

    def drops(self, gate: int, count: int) -> Floats:
        """Lengths (count,) in ms of drops at a gate (from 0)."""
        return self._passing(gate, self.drop_mm[gate], count)

    def satellites(self, gate: int, count: int) -> Floats:
        """The same of satellites."""
        return self._passing(gate, _SATELLITE_MM, count)

    def _passing(self, gate: int, size_mm: float, count: int) -> Floats:
        scatter = self.rng.lognormal(0, _SCATTER, count)
        wide_mm = size_mm + (float(self.beam_mm[gate]) if size_mm > 1 else 0.0)
        return np.asarray(wide_mm / float(self.mm_per_ms[gate]) * scatter)
