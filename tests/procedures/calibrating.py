"""Calibration and daily check: does the gain hold, and are cells judged rightly at their limits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from itertools import count
from typing import Any

import numpy as np

from soakmon.watch.settings import Settings
from soakmon.weigh.guided import judged
from soakmon.weigh.judge import BenchTestResult
from tests.procedures.cell import CELL, COUNTS_PER_G, CREEP_MIN, FULL_G, Tried
from tests.procedures.figures import Figure, around, covered

DAY = date(2026, 3, 1)
_MASSES_G = (0.0, 100.0, 200.0, 500.0, 1000.0)
# Masses of class M1 are good to 0.05 g at a kilogram; and how long each step takes, min.
_MASS_U_G, _STEP_MIN = 0.02, 0.5
_CHECK_G, _CHECK_U_G = 500.0, 0.005
_CREPT_MIN = (0.1, 0.4, 0.7, 1.0, 19, 19.5, 20, 20.5, 21, 29, 29.5, 30, 30.5, 31)
# The empty cell is read so often over a day on which the shop warms by so much.
_ZEROS, _WARMED_C, _APART_MIN = 6, 10.0, 120.0


def stepped(cell: Tried) -> dict[str, Any]:
    """Up and down."""
    off = float(cell.rng.normal(0, _MASS_U_G)) / max(_MASSES_G)

    def step(mass_g: float, *, up: bool) -> dict[str, Any]:
        cell.put_on(mass_g * (1 + off))
        cell.wait(_STEP_MIN)
        return {"mass_g": mass_g, "reading": cell.counts(), "up": up}

    steps = [step(mass_g, up=True) for mass_g in _MASSES_G]
    steps += [step(mass_g, up=False) for mass_g in reversed(_MASSES_G[:-1])]
    return {"capacity_g": CELL.capacity_g, "mass_u_g": _MASS_U_G, "steps": steps}


def crept(cell: Tried) -> dict[str, Any]:
    """Half an hour under the largest mass, and the return of the empty reading."""
    cell.wait(60.0)
    empty = cell.counts()
    cell.put_on(max(_MASSES_G))
    creep, since_min = [], 0.0
    for at_min in _CREPT_MIN:
        cell.wait(at_min - since_min)
        since_min = at_min
        creep.append((at_min, cell.counts()))
    cell.put_on(0.0)
    cell.loaded = True
    cell.wait(_STEP_MIN)
    return {"creep": creep, "returned_g": (cell.counts() - empty) / COUNTS_PER_G}


def warmed(cell: Tried, zero_per_5c_g: float) -> dict[str, Any]:
    """Empty readings over a day, of a cell with another shift of its zero."""
    cell.put_on(0.0)
    cell.zero_g_per_c = 0.0
    zeros = []
    for air_c in np.linspace(15.0, 15.0 + _WARMED_C, _ZEROS).tolist():
        cell.wait(_APART_MIN)
        reading = cell.counts() + COUNTS_PER_G * zero_per_5c_g / 5 * air_c
        zeros.append({"air_c": air_c, "reading": reading})
    return {"zeros": zeros}


def calibrated(cell: Tried, zero_per_5c_g: float | None = None) -> BenchTestResult:
    """The whole procedure; zeros only where their shift is told."""
    form = {**stepped(cell), **crept(cell)}
    if zero_per_5c_g is not None:
        form |= warmed(cell, zero_per_5c_g)
    return judged("calibration", form, Settings(), DAY)


def _gain_holds(cell: Tried) -> bool:
    data = calibrated(cell).data
    # By its own degrees of freedom: nine steps less two.
    return (
        abs(data["g_per_count"] * COUNTS_PER_G - 1) <= data["g_per_count_expanded"] * COUNTS_PER_G
    )


def checked(cell: Tried) -> BenchTestResult:
    """One known mass, less the empty reading."""
    cell.wait(1.0)
    empty_g = cell.reads_g()
    cell.put_on(_CHECK_G + float(cell.rng.normal(0, _CHECK_U_G)))
    cell.wait(_STEP_MIN)
    form = {
        "capacity_g": CELL.capacity_g, "mass_g": _CHECK_G, "mass_u_g": _CHECK_U_G,
        "empty_g": empty_g, "reading_g": cell.reads_g(),
    }  # fmt: skip
    return judged("daily", form, Settings(), DAY)


def _property(said: BenchTestResult, name: str) -> dict[str, Any]:
    return next(one for one in said.data["judgements"] if one["name"] == name)


def _bowed() -> tuple[float, float]:
    """Limit of the step that a bow brings nearest to its own, and the bow of a cell at it, g."""
    much_g = 1000.0
    found = judged("calibration", stepped(_still(bow_g=much_g)), Settings(), DAY)
    worst = _property(found, "linearity")
    return worst["limit_g"], much_g * worst["limit_g"] / abs(worst["value_g"])


def _still(**traits: float) -> Tried:
    """A cell that does nothing else."""
    cell = Tried(np.random.default_rng(0), **traits)
    cell.noise_g = cell.walk_g = cell.zero_g_per_c = 0.0
    return cell


def _limits(
    cell_of: Callable[..., Tried],
) -> Iterator[tuple[str, float, Callable[[float], BenchTestResult]]]:
    """Each property: its limit, g, and a calibration of a cell that has so much of it."""
    step_g, bow_g = _bowed()

    def steps(**traits: float) -> BenchTestResult:
        return judged("calibration", stepped(cell_of(**traits)), Settings(), DAY)

    yield "error of a step", step_g, lambda g: steps(bow_g=bow_g * g / step_g)
    yield "linearity", step_g, lambda g: steps(bow_g=bow_g * g / step_g)
    yield "hysteresis", CELL.limit_g(_CHECK_G), lambda g: steps(lag_g=g)
    yield "creep over 30 min", CELL.creep_g(), lambda g: calibrated(cell_of(creep_g=g))
    late = np.exp(-20 / CREEP_MIN) - np.exp(-30 / CREEP_MIN)
    in_all_of = (1 - np.exp(-30 / CREEP_MIN)) / late
    yield (
        "creep from 20 to 30 min",
        CELL.late_creep_g(),
        lambda g: calibrated(cell_of(creep_g=g * in_all_of)),
    )
    yield "return to dead load", CELL.dead_load_return_g, lambda g: calibrated(cell_of(stays_g=g))
    yield "zero per 5 °C", CELL.zero_per_5c_g(), lambda g: calibrated(cell_of(), g)


def at_limits(times: int) -> Iterator[Figure]:
    """Every judgement of a calibration, and the daily check, about its limit."""
    seeds = count()

    def cell_of(**traits: float) -> Tried:
        return Tried(np.random.default_rng([next(seeds), 6]), **traits)

    for name, limit_g, made in _limits(cell_of):

        def bad(value_g: float, name: str = name, made: Any = made) -> bool:
            return not _property(made(value_g), name)["ok"]

        stated_g = _property(made(limit_g), name)["expanded_g"]
        yield from around(f"calibration, {name}, g", limit_g, stated_g, bad, times)

    limit_g = CELL.limit_g(_CHECK_G)
    stated_g = checked(cell_of()).data["limit_g"] - limit_g

    def off(value_g: float) -> bool:
        return not checked(cell_of(gain=1 + value_g / _CHECK_G)).passed

    yield from around("daily check, g", limit_g, stated_g, off, times)


def figures(times: int) -> Iterator[Figure]:
    """What so many calibrations and checks show, each of another cell."""

    def cells(what: int, **traits: float) -> Iterator[Tried]:
        return (Tried(np.random.default_rng([k, what]), **traits) for k in range(times))

    limit_g = CELL.creep_g()
    holds = sum(map(_gain_holds, cells(1, creep_g=0.25 * limit_g)))
    yield covered("calibration: gain within 95 %", holds, times)
    failed = sum(not calibrated(cell).passed for cell in cells(2, creep_g=0.25 * limit_g))
    yield Figure("calibration: good cell not passed", failed, times, most=0.05)
    for name, traits in (
        ("creep of twice its limit", {"creep_g": 2 * limit_g}),
        ("bow of twice its limit", {"bow_g": 2 * _bowed()[1]}),
    ):
        passed = sum(calibrated(cell).passed for cell in cells(3, **traits))
        yield Figure(f"calibration: {name} passed", passed, times, most=0.05)
    said = [checked(cell) for cell in cells(4)]
    yield Figure(
        "daily check: good cell not passed", sum(not s.passed for s in said), times, most=0.05
    )
    stated = CELL.limit_g(_CHECK_G)
    within = sum(abs(s.data["error_g"]) <= s.data["limit_g"] - stated for s in said)
    yield covered("daily check: error within 95 %", within, times)
    off = cells(5, gain=1 + 2.5 * stated / _CHECK_G)
    passed = sum(checked(cell).passed for cell in off)
    yield Figure("daily check: gain off by 2.5 limits passed", passed, times, most=0.05)
    yield from at_limits(times)
    assert FULL_G < _CHECK_G
