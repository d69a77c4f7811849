"""Nights and results for the tests of the capability."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.capability.bound import Noise
from soakmon.capability.evaluate import Isolation, Night, Result
from soakmon.capability.plan import Case, Way
from soakmon.watch.settings import Settings
from tests.watch.nights import night as handmade

QUIET = Noise(0.04, 0.02, 0.04, 0.13, 0.14)


def made(case: Case, isolation: Isolation | None = None) -> Night:
    """A hand-made night: a leak at carb 2, or one that no gate sees; shut, it goes on dripping."""
    leak = case.leak_g_per_day / 24
    carb = 2 if case.way is Way.GATES and leak else None
    rows = handmade(case.seed, leak_g_per_h=leak, carb=carb, spacing_s=20.0)
    if isolation is not None:
        rows = rows.part(0, int(np.searchsorted(rows.t_s, isolation.until_s)))
        rows = replace(rows, feed_open=np.where(rows.t_s > isolation.shut_s, 0.0, 1.0))
    cause = "bowl_joint_weep" if carb else "bench_plumbing_leak" if leak else "no_leak"
    return Night(rows, Settings(), QUIET, 24 * leak, carb, cause, 0.0, True)


def result(leak: float, way: Way, *, found: bool, index: int = 0) -> Result:
    outcome = "leaking" if found else "not_proven"
    delay = 100.0 + index if found else None
    told = [[1.0, 1.0]]
    isolated = told if found and leak else None
    return Result(
        index, leak, way.value, False, outcome, found, delay, found, 0.1, 0.2, 1.0, told, isolated
    )
