"""Calibration and daily check: does the gain hold, and are cells judged rightly at their limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from soakmon.watch.settings import Settings
from soakmon.weigh.guided import judged
from soakmon.weigh.result import BenchTestResult
from tests.procedures.cell import CELL, COUNTS_PER_G, FULL_G, Tried
from tests.procedures.figures import Figure, covered


@dataclass(frozen=True)
class Zeros:
    """Shift of a cell's zero, g, per 5 °C and per kPa; and whether the barometer was read."""

    per_5c: float = 0.0
    per_kpa: float = 0.0
    air_read: bool = False


DAY = date(2026, 3, 1)
MASSES_G = (0.0, 100.0, 200.0, 500.0, 1000.0)
# Masses of class M1 are good to 0.05 g at a kilogram; and how long each step takes, min.
_MASS_U_G, _STEP_MIN = 0.02, 0.5
CHECK_G, _CHECK_U_G = 500.0, 0.005
_CREPT_MIN = (0.1, 0.4, 0.7, 1.0, 19, 19.5, 20, 20.5, 21, 29, 29.5, 30, 30.5, 31)
# The empty cell is read so often over a day on which the shop warms by so much.
_ZEROS, _WARMED_C, _APART_MIN = 6, 10.0, 120.0
# The weather over such days, beside the warmth of the shop.
_AIR_KPA = (101.3, 99.6, 102.4, 99.9, 102.1, 99.4)


def stepped(cell: Tried, mass_u_g: float = _MASS_U_G) -> dict[str, Any]:
    """Up and down; mass_u_g: standard uncertainty of the largest mass, shared by all of the set."""
    off = float(cell.rng.normal(0, mass_u_g)) / max(MASSES_G)

    def step(mass_g: float, *, up: bool) -> dict[str, Any]:
        cell.put_on(mass_g * (1 + off))
        cell.wait(_STEP_MIN)
        return {"mass_g": mass_g, "reading": cell.counts(), "up": up}

    steps = [step(mass_g, up=True) for mass_g in MASSES_G]
    steps += [step(mass_g, up=False) for mass_g in reversed(MASSES_G[:-1])]
    return {"capacity_g": CELL.capacity_g, "mass_u_g": mass_u_g, "steps": steps}


def crept(cell: Tried) -> dict[str, Any]:
    """Half an hour under the largest mass, and the return of the empty reading."""
    cell.wait(60.0)
    empty = cell.counts()
    cell.put_on(max(MASSES_G))
    creep, since_min = [], 0.0
    for at_min in _CREPT_MIN:
        cell.wait(at_min - since_min)
        since_min = at_min
        creep.append((at_min, cell.counts()))
    cell.put_on(0.0)
    cell.loaded = True
    cell.wait(_STEP_MIN)
    return {"creep": creep, "returned_g": (cell.counts() - empty) / COUNTS_PER_G}


def warmed(cell: Tried, zero_g: Zeros) -> dict[str, Any]:
    """Empty readings over days, of a cell with other shifts of its zero."""
    cell.put_on(0.0)
    cell.zero_g_per_c = 0.0
    zeros = []
    for place, air_c in enumerate(np.linspace(15.0, 15.0 + _WARMED_C, _ZEROS).tolist()):
        cell.wait(_APART_MIN)
        shift_g = zero_g.per_5c / 5 * air_c + zero_g.per_kpa * _AIR_KPA[place]
        reading = cell.counts() + COUNTS_PER_G * shift_g
        zero = {"air_c": air_c, "reading": reading}
        zeros.append(zero | ({"kpa": _AIR_KPA[place]} if zero_g.air_read else {}))
    return {"zeros": zeros}


def calibrated(cell: Tried, zero_g: Zeros | None = None) -> BenchTestResult:
    """The whole procedure; zeros only where their shift is told."""
    form = {**stepped(cell), **crept(cell)}
    if zero_g is not None:
        form |= warmed(cell, zero_g)
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
    cell.put_on(CHECK_G + float(cell.rng.normal(0, _CHECK_U_G)))
    cell.wait(_STEP_MIN)
    form = {
        "capacity_g": CELL.capacity_g, "mass_g": CHECK_G, "mass_u_g": _CHECK_U_G,
        "empty_g": empty_g, "reading_g": cell.reads_g(),
    }  # fmt: skip
    return judged("daily", form, Settings(), DAY)


def figures(times: int) -> Iterator[Figure]:
    """What so many calibrations and checks show, each of another cell."""

    def cells(what: int, **traits: float) -> Iterator[Tried]:
        return (Tried(np.random.default_rng([k, what]), **traits) for k in range(times))

    limit_g = CELL.creep_g()
    holds = sum(map(_gain_holds, cells(1, creep_g=0.25 * limit_g)))
    yield covered("calibration: gain within 95 %", holds, times)
    failed = sum(not calibrated(cell).passed for cell in cells(2, creep_g=0.25 * limit_g))
    yield Figure("calibration: good cell not passed", failed, times, most=0.05)
    passed = sum(calibrated(cell).passed for cell in cells(3, creep_g=2 * limit_g))
    yield Figure("calibration: creep of twice its limit passed", passed, times, most=0.05)
    said = [checked(cell) for cell in cells(4)]
    yield Figure(
        "daily check: good cell not passed", sum(not s.passed for s in said), times, most=0.05
    )
    stated = CELL.limit_g(CHECK_G)
    within = sum(abs(s.data["error_g"]) <= s.data["limit_g"] - stated for s in said)
    yield covered("daily check: error within 95 %", within, times)
    off = cells(5, gain=1 + 2.5 * stated / CHECK_G)
    passed = sum(checked(cell).passed for cell in off)
    yield Figure("daily check: gain off by 2.5 limits passed", passed, times, most=0.05)
    assert FULL_G < CHECK_G
