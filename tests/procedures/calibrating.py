"""Calibration and daily check: does the gain hold, and are cells judged rightly at their limits."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np

from soakmon.watch.settings import Settings
from soakmon.weigh.guided import judged
from soakmon.weigh.judge import Judged
from tests.procedures.cell import CELL, COUNTS_PER_G, FULL_G, Tried
from tests.procedures.figures import Figure

DAY = date(2026, 3, 1)
_MASSES_G = (0.0, 100.0, 200.0, 500.0, 1000.0)
# Masses of class M1 are good to 0.05 g at a kilogram; and how long each step takes, min.
_MASS_U_G, _STEP_MIN = 0.02, 0.5
_CHECK_G = 500.0


def calibrated(cell: Tried) -> Judged:
    """Up, half an hour under the largest mass, down, and the return of the empty reading."""
    off = float(cell.rng.normal(0, _MASS_U_G)) / max(_MASSES_G)

    def step(mass_g: float, *, up: bool) -> dict[str, Any]:
        cell.put_on(mass_g * (1 + off))
        cell.wait(_STEP_MIN)
        return {"mass_g": mass_g, "reading": cell.counts(), "up": up}

    steps = [step(mass_g, up=True) for mass_g in _MASSES_G]
    steps += [step(mass_g, up=False) for mass_g in reversed(_MASSES_G[:-1])]
    cell.wait(60.0)
    empty = cell.counts()
    cell.put_on(max(_MASSES_G))
    creep, since_min = [], 0.0
    for at_min in (0.1, 0.4, 0.7, 1.0, 19, 19.5, 20, 20.5, 21, 29, 29.5, 30, 30.5, 31):
        cell.wait(at_min - since_min)
        since_min = at_min
        creep.append((at_min, cell.counts()))
    cell.put_on(0.0)
    cell.wait(_STEP_MIN)
    form = {
        "capacity_g": CELL.capacity_g,
        "mass_u_g": _MASS_U_G,
        "steps": steps,
        "creep": creep,
        "returned_g": (cell.counts() - empty) / COUNTS_PER_G,
    }
    return judged("calibration", form, Settings(), DAY)


def _gain_holds(cell: Tried) -> bool:
    data = calibrated(cell).data
    # By its own degrees of freedom: nine steps less two.
    return (
        abs(data["g_per_count"] * COUNTS_PER_G - 1) <= data["g_per_count_expanded"] * COUNTS_PER_G
    )


def checked(cell: Tried) -> Judged:
    """One known mass, less the empty reading."""
    cell.wait(1.0)
    empty_g = cell.reads_g()
    cell.put_on(_CHECK_G)
    cell.wait(_STEP_MIN)
    form = {
        "capacity_g": CELL.capacity_g, "mass_g": _CHECK_G, "mass_u_g": 0.005,
        "empty_g": empty_g, "reading_g": cell.reads_g(),
    }  # fmt: skip
    return judged("daily", form, Settings(), DAY)


def figures(times: int) -> Iterator[Figure]:
    """What so many calibrations and checks show, each of another cell."""

    def cells(what: int, **traits: float) -> Iterator[Tried]:
        return (Tried(np.random.default_rng([k, what]), **traits) for k in range(times))

    limit_g = CELL.creep_g()
    holds = sum(map(_gain_holds, cells(1, creep_g=0.25 * limit_g)))
    yield Figure("calibration: gain within 95 %", holds, times, 0.93)
    failed = sum(not calibrated(cell).passed for cell in cells(2, creep_g=0.25 * limit_g))
    yield Figure("calibration: good cell not passed", failed, times, most=0.05)
    for name, traits in (
        ("creep of twice its limit", {"creep_g": 2 * limit_g}),
        ("bow of twice its limit", {"bow_g": 2.5 * CELL.limit_g(500.0)}),
    ):
        passed = sum(calibrated(cell).passed for cell in cells(3, **traits))
        yield Figure(f"calibration: {name} passed", passed, times, most=0.05)
    said = [checked(cell) for cell in cells(4)]
    yield Figure(
        "daily check: good cell not passed", sum(not s.passed for s in said), times, most=0.05
    )
    stated = CELL.limit_g(_CHECK_G)
    within = sum(abs(s.data["error_g"]) <= s.data["limit_g"] - stated for s in said)
    yield Figure("daily check: error within 95 %", within, times, 0.93)
    off = cells(5, gain=1 + 2.5 * stated / _CHECK_G)
    passed = sum(checked(cell).passed for cell in off)
    yield Figure("daily check: gain off by 2.5 limits passed", passed, times, most=0.05)
    assert FULL_G < _CHECK_G
