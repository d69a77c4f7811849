"""Counts of the gates that are no drops and need no fuel: when, where, and how long it was dark."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from sim.blend import Floats
from sim.blocks import INSECT_MS, LIGHT_MS, MAINS_MS, SHAKEN_MS, log_uniform
from sim.traits import GateTraits

_MAINS_S = (2e-6, 5e-3)
_SHAKING_S = (2.0, 60.0)
_WALKING_S = (20.0, 2400.0)
# Share of the gates that a mains spike or a shake reaches.
_REACHES = 0.7


@dataclass(frozen=True, slots=True)
class Blips:
    """Counts in order: t_s, gate (from 0) and length in ms, (k,) each."""

    t_s: Floats
    gate: Floats
    ms: Floats

    def between(self, from_s: float, to_s: float) -> Blips:
        """Those after from_s, up to to_s."""
        if not len(self.t_s):
            return self
        low, high = np.searchsorted(self.t_s, (from_s, to_s), side="right")
        return Blips(self.t_s[low:high], self.gate[low:high], self.ms[low:high])

    def without(self, gate: int, from_s: float) -> Blips:
        """Those of the other gates, and of this one before from_s."""
        stays = (self.gate != gate) | (self.t_s < from_s)
        return Blips(self.t_s[stays], self.gate[stays], self.ms[stays])


NOTHING = Blips(np.zeros(0), np.zeros(0), np.zeros(0))


def merged(parts: Iterable[Blips]) -> Blips:
    """Several in order of time."""
    parts = [part for part in parts if len(part.t_s)]
    if len(parts) < 2:
        return parts[0] if parts else NOTHING
    t_s = np.concatenate([part.t_s for part in parts])
    order = np.argsort(t_s, kind="stable")
    gates = np.concatenate([part.gate for part in parts])
    lengths = np.concatenate([part.ms for part in parts])
    return Blips(t_s[order], gates[order], lengths[order])


def draw_blips(traits: GateTraits, gates: int, hours: float, seed: int) -> Blips:
    """All of a night; each kind has numbers of its own, so one does not move the others."""
    kinds: tuple[tuple[float, Callable[[float, int, np.random.Generator], Blips]], ...] = (
        (traits.mains_per_h, _mains),
        (traits.shakes_per_h, _shake),
        (traits.lights_per_h, _light),
        (traits.insects_per_h, _insect),
    )
    parts: list[Blips] = []
    for place, (per_h, makes) in enumerate(kinds):
        if not gates or not per_h:
            continue
        rng = np.random.default_rng([seed, 12, place])
        starts = rng.uniform(0, 3600 * hours, rng.poisson(per_h * hours))
        parts += [makes(start, gates, rng) for start in starts.tolist()]
    return merged(parts)


def _reached(gates: int, rng: np.random.Generator) -> Floats:
    """Some of the gates, at least two where there are two."""
    among = np.flatnonzero(rng.random(gates) < _REACHES)
    if len(among) < min(gates, 2):
        among = rng.permutation(gates)[:2]
    return among.astype(float)


def _mains(start_s: float, gates: int, rng: np.random.Generator) -> Blips:
    """A compressor, a lamp: every wire picks it up at once."""
    at = _reached(gates, rng)
    return Blips(
        start_s + log_uniform(_MAINS_S, len(at), rng), at, log_uniform(MAINS_MS, len(at), rng)
    )


def _shake(start_s: float, gates: int, rng: np.random.Generator) -> Blips:
    """Beams and hanging drops tremble for a while."""
    lasts_s = float(log_uniform(_SHAKING_S, 1, rng)[0])
    at = np.repeat(_reached(gates, rng), 1 + rng.poisson(0.7))
    return Blips(start_s + lasts_s * rng.random(len(at)), at, log_uniform(SHAKEN_MS, len(at), rng))


def _light(start_s: float, gates: int, rng: np.random.Generator) -> Blips:
    """Headlights or a lamp at one gate or at all, some times over."""
    at = np.arange(gates, dtype=float) if rng.random() < 0.4 else np.floor(rng.random(1) * gates)
    at = np.repeat(at, 1 + rng.poisson(1.0))
    return Blips(start_s + 30.0 * rng.random(len(at)), at, log_uniform(LIGHT_MS, len(at), rng))


def _insect(start_s: float, gates: int, rng: np.random.Generator) -> Blips:
    """One gate, as often as it comes by."""
    passes = 1 + rng.poisson(3.0)
    lasts_s = float(log_uniform(_WALKING_S, 1, rng)[0])
    at = np.full(passes, float(rng.integers(gates)))
    return Blips(start_s + lasts_s * rng.random(passes), at, log_uniform(INSECT_MS, passes, rng))
