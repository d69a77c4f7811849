"""What disturbs a night, by kind: each turns a scenario into one that is so disturbed.

A night of `sim.benches` has one of them, so that it can be told which of them wakes people. Sizes
are from recordings and reports of others where named, else judgement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from sim.scenario import Scenario
from sim.traits import Air, CellSpecimen, Factors, Fill, Soaking, Visit
from soakmon.physics.fuels import FUELS

Rng = np.random.Generator
Disturbing = Callable[[Scenario, Rng], Scenario]
_H = 3600.0
_DAY_S = 24 * _H


def _between(rng: Rng, low: float, high: float) -> float:
    """Evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _times(rng: Rng, mean: float) -> list[float]:
    """At least one time after the fill."""
    return sorted(rng.uniform(0.8 * _H, _DAY_S, 1 + rng.poisson(mean)).tolist())


def _happens(night: Scenario, **changes: Any) -> Scenario:
    return replace(night, happenings=replace(night.happenings, **changes))


def _cell(night: Scenario, **changes: Any) -> Scenario:
    """Other traits of the very cell."""
    specimen = replace(night.cell.specimen or CellSpecimen(), **changes)
    return replace(night, cell=replace(night.cell, specimen=specimen))


def _lossy(night: Scenario, **factors: float) -> Scenario:
    return replace(night, factors=replace(night.factors or Factors(), **factors))


def _calm(night: Scenario, _rng: Rng) -> Scenario:
    return night


def _knocks(night: Scenario, rng: Rng) -> Scenario:
    """A door that slams, a grinder on the bench."""
    return _happens(night, knocks_per_h=float(rng.uniform(0.5, 3)))


def _pushes(night: Scenario, rng: Rng) -> Scenario:
    """Somebody pushes bench or hose, and the reading stays shifted by grams."""
    return _happens(night, bumps_s=tuple(_times(rng, 2)))


def _leaning(night: Scenario, rng: Rng) -> Scenario:
    """Somebody leans on the bench for a while, now and then."""
    visits = [
        Visit(
            t_s,
            _between(rng, 5, 400),
            _between(rng, 0.2, 20),
            float(rng.normal(0, 10)),
            float(rng.normal(0, 0.4)),
        )
        for t_s in _times(rng, 3)
    ]
    return _happens(night, visits=tuple(visits))


def _cat(night: Scenario, rng: Rng) -> Scenario:
    """A cat on the bench: it shakes everything for a minute and leaves the hose otherwise."""
    times = _times(rng, 1)
    visits = [
        Visit(t_s, _between(rng, 5, 120), _between(rng, 20, 400), 0.0, float(rng.normal(0, 2)))
        for t_s in times
    ]
    return _happens(night, visits=tuple(visits), bumps_s=tuple(times))


def _top_up(night: Scenario, rng: Rng) -> Scenario:
    """Somebody fills up, a hand on the bottle meanwhile."""
    at_s, grams = float(rng.uniform(2, 16)) * _H, float(rng.uniform(20, 120))
    hand = Visit(at_s - 15, float(rng.uniform(20, 90)), 15.0, float(rng.uniform(-50, 200)))
    return _happens(night, refill_s=at_s, refill_g=grams, visits=(hand,))


def _power_cut(night: Scenario, rng: Rng) -> Scenario:
    """Nothing recorded, and the cell warms up again after it."""
    from_s = float(rng.uniform(1.5, 18)) * _H
    gap_s = (from_s, from_s + _between(rng, 30, 16_000))
    warm_up_g = float(rng.choice([-1, 1])) * _between(rng, 0.1, 0.6)
    return _cell(_happens(night, gap_s=gap_s), warm_up_g=warm_up_g)


def _sun(night: Scenario, rng: Rng) -> Scenario:
    """Low sun flickers on one gate: open infrared gates count under it (bee counters do)."""
    from_s, gates = float(rng.uniform(2, 18)) * _H, len(night.geometry.bowls)
    until_s, gate = from_s + float(rng.uniform(1, 4)) * _H, int(rng.integers(1, gates + 1))
    return _happens(night, sun_s=(from_s, until_s), sun_gate=gate)


def _strangers(name: str, low_per_h: float, high_per_h: float) -> Disturbing:
    """Counts that are no drops, so often."""

    def disturbing(night: Scenario, rng: Rng) -> Scenario:
        often: dict[str, Any] = {name: _between(rng, low_per_h, high_per_h)}
        return replace(night, gates=replace(night.gates, **often))

    return disturbing


def _wandering_cell(night: Scenario, rng: Rng) -> Scenario:
    """A cheap cell: it strays by 0.1 g in ten minutes, 0.2 to 0.4 g in an hour, and comes back."""
    cell = replace(
        night.cell,
        wander_g=_between(rng, 0.03, 0.25),
        noise_g=float(rng.uniform(0.05, 0.3)),
        spikes=0.01,
    )
    return _cell(replace(night, cell=cell), returns_g=float(rng.uniform(0.2, 0.45)))


def _creeping_cell(night: Scenario, rng: Rng) -> Scenario:
    """Creep of up to 0.7 % of a kilogram: glue that is soft, a bar that is overloaded."""
    creep_g = float(rng.choice([-1, 1])) * _between(rng, 1.0, 7.0)
    return _cell(night, creep_g=creep_g, creep_s=_between(rng, 900, 4000))


def _warm_zero(night: Scenario, rng: Rng) -> Scenario:
    """A mount that moves with temperature: to 0.25 g/°C, up to three hours late, with some play."""
    zero = float(rng.choice([-1, 1])) * float(rng.uniform(0.15, 0.25))
    night = replace(night, cell=replace(night.cell, lag_s=_between(rng, 1800, 3 * _H)))
    return _cell(night, zero_g_per_c=zero, backlash_c=float(rng.uniform(0, 1)))


def _damp(night: Scenario, rng: Rng) -> Scenario:
    swing_g = _between(rng, 0.1, 0.6)
    return _cell(night, humidity_g=swing_g, humidity_s=float(rng.uniform(12, 48)) * _H)


def _stiff_hose(night: Scenario, rng: Rng) -> Scenario:
    return _cell(night, hose_g_per_c=float(rng.choice([-1, 1])) * _between(rng, 0.03, 0.2))


def _bad_words(night: Scenario, rng: Rng) -> Scenario:
    """1 to 5 % of readings are 2^n - 1 counts or spikes to twice the load and below empty."""
    cell = replace(
        night.cell, bad_words=_between(rng, 0.005, 0.05), spikes=0.005, raw=bool(rng.random() < 0.5)
    )
    return replace(night, cell=cell)


def _draught(night: Scenario, rng: Rng) -> Scenario:
    """Doors open beside the thermometer, or it hangs at a wall of another temperature."""
    draughts = [
        (t_s, -float(rng.uniform(1, 8)), _between(rng, 120, 2400)) for t_s in _times(rng, 4)
    ]
    return replace(night, air=Air(float(rng.normal(0, 1.5)), tuple(draughts)))


def _hot_day(night: Scenario, rng: Rng) -> Scenario:
    swing_c = float(rng.uniform(4, 9))
    climate = replace(night.climate, swing_c=swing_c, restless_c=float(rng.uniform(0.5, 1.5)))
    return replace(night, climate=climate)


def _late_fill(night: Scenario, rng: Rng) -> Scenario:
    """The tap was forgotten, or an air lock went by itself."""
    return replace(night, fill=Fill(blocked_s=((0.0, 600 + _between(rng, 300, 3 * _H)),)))


def _slow_fill(night: Scenario, rng: Rng) -> Scenario:
    """A kinked hose or a clogged filter: the rack takes up to hours."""
    return replace(night, fill=Fill(flow=_between(rng, 0.01, 0.2)))


def _stopping_fill(night: Scenario, rng: Rng) -> Scenario:
    """It stops half full and goes on later."""
    from_s = 600 + float(rng.uniform(10, 60))
    return replace(night, fill=Fill(blocked_s=((from_s, from_s + _between(rng, 120, 2 * _H)),)))


def _floats(night: Scenario, rng: Rng) -> Scenario:
    """Old floats of cork or foam take fuel; one that took several grams would sink and flood."""
    return replace(night, soaking=Soaking(_between(rng, 0.05, 1.0), _between(rng, 3600, 24 * _H)))


def _capped(night: Scenario, rng: Rng) -> Scenario:
    """Somebody capped the bowls' vents against dust."""
    return _lossy(night, bowls=float(rng.uniform(0.05, 0.3)))


def _open_throats(night: Scenario, rng: Rng) -> Scenario:
    """The bowls breathe through throats that stand open."""
    return _lossy(night, bowls=float(rng.uniform(1.8, 3.5)))


def _runs_out(night: Scenario, rng: Rng) -> Scenario:
    """Vapour runs out between two openings of a bowl: up to a fifth of the ceiling."""
    return replace(night, runs_out_l_per_day=_between(rng, 0.2, 8.0))


def _other_fuel(night: Scenario, rng: Rng) -> Scenario:
    """Another can than the one described: hard winter's petrol or what stood for a year."""
    winter = rng.random() < 0.5
    fuel = FUELS["petrol_f"] if winter else replace(FUELS["petrol_a"], rvp_kpa=32.0)
    return replace(night, fuel=fuel)


KINDS: dict[str, Disturbing] = {
    "calm": _calm,
    "knocks": _knocks,
    "pushes": _pushes,
    "leaning": _leaning,
    "cat": _cat,
    "top-up": _top_up,
    "power cut": _power_cut,
    "sun": _sun,
    "mains loads": _strangers("mains_per_h", 0.1, 3.0),
    "shaking": _strangers("shakes_per_h", 0.05, 1.0),
    "lights": _strangers("lights_per_h", 0.05, 1.0),
    "insects": _strangers("insects_per_h", 0.05, 0.5),
    "wandering cell": _wandering_cell,
    "creeping cell": _creeping_cell,
    "warm zero": _warm_zero,
    "damp": _damp,
    "stiff hose": _stiff_hose,
    "bad words": _bad_words,
    "draught": _draught,
    "swinging temperature": _hot_day,
    "late fill": _late_fill,
    "slow fill": _slow_fill,
    "stopping fill": _stopping_fill,
    "floats": _floats,
    "capped vents": _capped,
    "open throats": _open_throats,
    "vapour runs out": _runs_out,
    "other fuel": _other_fuel,
}
# A bench that is not what anybody would describe is rare; nights on which nothing happens are the
# most (judgement).
_SELDOM = {"capped vents": 0.25, "open throats": 0.25, "vapour runs out": 0.15, "other fuel": 0.35}
_CALM = 5.0


def draw_kind(rng: Rng) -> str:
    """One of the kinds."""
    weights = np.array([_CALM if kind == "calm" else _SELDOM.get(kind, 1.0) for kind in KINDS])
    return str(rng.choice(list(KINDS), p=weights / weights.sum()))
