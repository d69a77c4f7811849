"""What disturbs a night, by kind: each turns a scenario into one that is so disturbed.

A night of `sim.benches` has one of them, so that it can be told which of them wakes people.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sim.scenario import Scenario

Disturbing = Callable[[Scenario, np.random.Generator], Scenario]
_H = 3600.0


def _calm(night: Scenario, _rng: np.random.Generator) -> Scenario:
    return night


def _knocks(night: Scenario, rng: np.random.Generator) -> Scenario:
    """A door that slams, a grinder on the bench."""
    busy = replace(night.happenings, knocks_per_h=float(rng.uniform(0.5, 3)))
    return replace(night, happenings=busy)


def _pushes(night: Scenario, rng: np.random.Generator) -> Scenario:
    """Somebody pushes bench or hose, and the reading stays shifted by grams."""
    times = rng.uniform(1 * _H, 23 * _H, 1 + rng.poisson(2))
    return replace(night, happenings=replace(night.happenings, bumps_s=tuple(times.tolist())))


def _top_up(night: Scenario, rng: np.random.Generator) -> Scenario:
    at_s, grams = float(rng.uniform(2, 16)) * _H, float(rng.uniform(20, 120))
    return replace(night, happenings=replace(night.happenings, refill_s=at_s, refill_g=grams))


def _power_cut(night: Scenario, rng: np.random.Generator) -> Scenario:
    from_s = float(rng.uniform(1.5, 18)) * _H
    to_s = from_s + float(10 ** rng.uniform(1.5, 4.2))
    return replace(night, happenings=replace(night.happenings, gap_s=(from_s, to_s)))


def _sun(night: Scenario, rng: np.random.Generator) -> Scenario:
    """Low sun flickers on one gate: open infrared gates count under it (bee counters do)."""
    from_s, gates = float(rng.uniform(2, 18)) * _H, len(night.geometry.bowls)
    until_s, gate = from_s + float(rng.uniform(1, 4)) * _H, int(rng.integers(1, gates + 1))
    lit = replace(night.happenings, sun_s=(from_s, until_s), sun_gate=gate)
    return replace(night, happenings=lit)


def _wandering_cell(night: Scenario, rng: np.random.Generator) -> Scenario:
    """A cheap cell: 0.6 g of wander over weeks, kilograms of spikes (recorded ones show both)."""
    cell = replace(
        night.cell,
        wander_g=float(10 ** rng.uniform(-1.3, -0.6)),
        noise_g=float(rng.uniform(0.05, 0.3)),
        spikes=0.01,
    )
    return replace(night, cell=cell)


def _hot_day(night: Scenario, rng: np.random.Generator) -> Scenario:
    swing_c = float(rng.uniform(4, 9))
    climate = replace(night.climate, swing_c=swing_c, restless_c=float(rng.uniform(0.5, 1.5)))
    return replace(night, climate=climate)


KINDS: dict[str, Disturbing] = {
    "calm": _calm,
    "knocks": _knocks,
    "pushes": _pushes,
    "top-up": _top_up,
    "power cut": _power_cut,
    "sun": _sun,
    "wandering cell": _wandering_cell,
    "swinging temperature": _hot_day,
}
# Nights on which nothing happens are the most (judgement).
_CALM_SHARE = 0.25


def drawn_kind(rng: np.random.Generator) -> str:
    """One of the kinds."""
    if rng.random() < _CALM_SHARE:
        return "calm"
    return str(rng.choice(list(KINDS)[1:]))
