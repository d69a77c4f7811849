"""A whole night at once: the scenario as the rows a bench would have recorded, with the truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sim.blend import Floats
from sim.cell import Cell, SimulatedThermometer
from sim.gates import Gates
from sim.lips import DROP_G
from sim.scenario import Scenario
from sim.world import World
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.rows import Rows


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened, to hold a verdict against.

    onset_s: when each leaking carb's defect began; first_drop_s: when its first real drop fell;
    leak_g_per_h: mean over the time since the first onset; curve of leaked and evaporated grams
    at t_s.
    """

    outcomes: frozenset[str]
    carbs: tuple[int, ...]
    cause: str
    onset_s: float | None
    first_drop_s: dict[int, float]
    leak_g_per_h: float
    leaked_g: float
    evaporated_g: float
    t_s: Floats
    leaked_curve_g: Floats
    evaporated_curve_g: Floats


@dataclass(frozen=True, slots=True)
class Recording:
    """Rows of a night with its truth, and the bench as its owner would describe it."""

    rows: Rows
    truth: Truth
    geometry: BenchGeometry
    fuel: Fuel


@dataclass(slots=True)
class _Knots:
    t_s: list[float]
    bottle_g: list[float]
    at_lip_g: list[Floats]
    leaked_g: list[float]
    evaporated_g: list[float]


def knocks(scenario: Scenario, seed: int, hours: float) -> Floats:
    """Times in s of the bangs on the bench; every push bangs too."""
    rng = np.random.default_rng([seed, 6])
    count = rng.poisson(scenario.happenings.knocks_per_h * hours)
    times = np.concatenate((rng.uniform(0, hours * 3600, count), scenario.happenings.bumps_s))
    return np.sort(times)


def simulate(
    scenario: Scenario,
    *,
    seed: int | None = None,
    hours: float = 24.0,
    interval_s: float = 1.0,
    shut_s: float = math.inf,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Simulate a night of `hours` at one reading per interval_s; progress gets 0 to 1.

    The feed is opened when the scenario says and shut for good at shut_s; seed: the scenario's own
    when None.
    """
    seed = scenario.seed if seed is None else seed
    world = World(scenario, seed, hours)
    knots = _run(world, hours * 3600, shut_s, progress)
    t_s = np.arange(1, int(hours * 3600 / interval_s) + 1) * interval_s
    t_s = _without_gap(np.concatenate(([0.0], t_s)), scenario)
    bangs = knocks(scenario, seed, hours)
    at_lip = np.array(knots.at_lip_g).reshape(len(knots.t_s), -1)
    lips = [np.interp(t_s, knots.t_s, at_lip[:, gate]) for gate in range(at_lip.shape[1])]
    bowls_c = np.interp(t_s, world.weather.t_s, world.weather.bowls_c)
    gates = Gates(scenario, bangs, seed)
    drops = gates.read(t_s, np.array(lips).reshape(-1, len(t_s)).T, bowls_c)
    mass = Cell(scenario, world.weather, bangs, seed).read(
        t_s, np.interp(t_s, knots.t_s, knots.bottle_g)
    )
    air = SimulatedThermometer(world.weather, seed, scenario.air).read(t_s)
    opens_s = scenario.fill.opens_s
    feed = np.where((t_s > opens_s) & (t_s <= shut_s), 1.0, 0.0)
    rows = Rows(t_s, mass, air, drops, None, feed, gates.block_ms(t_s))
    return Recording(rows, _truth(world, knots), scenario.geometry, scenario.fuel)


def caught_g(scenario: Scenario, carb: int, hours: float = 24.0) -> float:
    """What falls into the gate of a carb (from 1) in a night, g."""
    knots = _run(World(scenario, scenario.seed, hours), hours * 3600, math.inf, None)
    return float(knots.at_lip_g[-1][carb - 1])


def _run(
    world: World, end_s: float, shut_s: float, progress: Callable[[float], None] | None
) -> _Knots:
    knots = _Knots([], [], [], [], [])
    _note(knots, world)
    share = 0
    opens_s = world.scenario.fill.opens_s
    while world.t_s < end_s - 1e-6:
        feed_open = opens_s - 1e-6 <= world.t_s < shut_s - 1e-6
        until = min(t for t in (opens_s, shut_s, end_s) if t > world.t_s + 1e-6)
        world.advance(min(world.quiet_s(), until - world.t_s), feed_open=feed_open)
        _note(knots, world)
        if progress is not None and int(100 * world.t_s / end_s) > share:
            share = int(100 * world.t_s / end_s)
            progress(world.t_s / end_s)
    return knots


def _note(knots: _Knots, world: World) -> None:
    knots.t_s.append(world.t_s)
    knots.bottle_g.append(world.bottle_mass_g)
    knots.at_lip_g.append(world.at_lip_g.copy())
    knots.leaked_g.append(world.leaked_g)
    knots.evaporated_g.append(world.evaporated_g)


def _without_gap(t_s: Floats, scenario: Scenario) -> Floats:
    gap = scenario.happenings.gap_s
    return t_s if gap is None else t_s[(t_s < gap[0]) | (t_s > gap[1])]


def _truth(world: World, knots: _Knots) -> Truth:
    scenario = world.scenario
    t_s, leaked = np.array(knots.t_s), np.array(knots.leaked_g)
    lips = np.array(knots.at_lip_g)
    first = {
        carb: float(t_s[np.argmax(lips[:, carb - 1] >= DROP_G)])
        for carb in scenario.carbs
        if lips[-1, carb - 1] >= DROP_G
    }
    wet = np.flatnonzero(leaked > 0)
    onset = float(t_s[max(wet[0] - 1, 0)]) if len(wet) else None
    hours = (t_s[-1] - onset) / 3600 if onset is not None else 0.0
    return Truth(
        scenario.outcomes,
        scenario.carbs,
        scenario.cause,
        onset,
        first,
        float(leaked[-1] / hours) if hours > 0 else 0.0,
        float(leaked[-1]),
        float(knots.evaporated_g[-1]),
        t_s,
        leaked,
        np.array(knots.evaporated_g),
    )
