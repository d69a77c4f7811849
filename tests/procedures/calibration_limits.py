"""Every judgement of a calibration and of the daily check, on cells that are at its limit."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from typing import Any

import numpy as np

from soakmon.watch.settings import Settings
from soakmon.weigh.guided import judged
from soakmon.weigh.result import BenchTestResult
from tests.procedures.calibrating import (
    CHECK_G,
    DAY,
    MASSES_G,
    Zeros,
    calibrated,
    checked,
    stepped,
)
from tests.procedures.cell import CELL, COUNTS_PER_G, CREEP_MIN, FULL_G, Tried
from tests.procedures.figures import Figure, around, covered

_FULL = "uncertainty of the full bottle"


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
    yield "hysteresis", CELL.limit_g(CHECK_G), lambda g: steps(lag_g=g)
    yield "creep over 30 min", CELL.creep_g(), lambda g: calibrated(cell_of(creep_g=g))
    late = np.exp(-20 / CREEP_MIN) - np.exp(-30 / CREEP_MIN)
    in_all_of = (1 - np.exp(-30 / CREEP_MIN)) / late
    yield (
        "creep from 20 to 30 min",
        CELL.late_creep_g(),
        lambda g: calibrated(cell_of(creep_g=g * in_all_of)),
    )
    yield "return to dead load", CELL.dead_load_return_g, lambda g: calibrated(cell_of(stays_g=g))
    yield "zero per 5 °C", CELL.zero_per_5c_g(), lambda g: calibrated(cell_of(), Zeros(per_5c=g))
    yield (
        "zero per kPa",
        CELL.zero_per_kpa_g(),
        lambda g: calibrated(cell_of(), Zeros(per_kpa=g, air_read=True)),
    )


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

    limit_g = CELL.limit_g(CHECK_G)
    stated_g = checked(cell_of()).data["limit_g"] - limit_g

    def off(value_g: float) -> bool:
        return not checked(cell_of(gain=1 + value_g / CHECK_G)).passed

    yield from around("daily check, g", limit_g, stated_g, off, times)


def figures(times: int) -> Iterator[Figure]:
    """All of them."""
    twice_g = 2 * _bowed()[1]
    bent = (Tried(np.random.default_rng([k, 3]), bow_g=twice_g) for k in range(times))
    passed = sum(calibrated(cell).passed for cell in bent)
    yield Figure("calibration: bow of twice its limit passed", passed, times, most=0.05)
    yield from at_limits(times)
    yield from full_bottle(times)
    yield from repeated(times)


def full_bottle(times: int) -> Iterator[Figure]:
    """Masses that are just good enough for the full bottle, and ones that are not."""
    limit_g = CELL.limit_g(FULL_G)

    def stepped_with(share: float, seed: int) -> tuple[Tried, dict[str, Any]]:
        """share: twice the masses' uncertainty over the limit, both of the full bottle."""
        cell = Tried(np.random.default_rng([seed, 8]))
        form = stepped(cell, share * limit_g / 2 * max(MASSES_G) / FULL_G)
        return cell, judged("calibration", form, Settings(), DAY).data

    def passed(data: dict[str, Any]) -> bool:
        return next(bool(one["ok"]) for one in data["judgements"] if one["name"] == _FULL)

    def held(seed: int) -> bool:
        cell, data = stepped_with(1.0, seed)
        return abs(data["g_per_count"] * COUNTS_PER_G / cell.gain - 1) * FULL_G <= limit_g

    name = f"calibration, {_FULL}: masses"
    good = sum(passed(stepped_with(0.85, k)[1]) for k in range(times))
    yield Figure(f"{name} good to 0.85 of its limit, passed", good, times, least=0.95)
    bad = sum(passed(stepped_with(1.02, k)[1]) for k in range(times))
    yield Figure(f"{name} beyond its limit, passed", bad, times, most=0.05)
    yield covered(f"{name} at its limit, reading within it", sum(map(held, range(times))), times)


def repeated(times: int) -> Iterator[Figure]:
    """A cell that reads more each second time.

    The limit is of what was read. On the way up and on the way down half of the cells at it are
    read within it: a quarter passes.
    """
    limit_g = CELL.limit_g(CHECK_G)

    def again(cell: Tried, step: dict[str, Any], more_g: float) -> dict[str, Any]:
        off_g = float(cell.rng.normal(0, cell.noise_g)) + more_g * (step["mass_g"] == CHECK_G)
        return step | {"reading": step["reading"] + COUNTS_PER_G * off_g}

    def passed(more_g: float, seed: int) -> bool:
        cell = Tried(np.random.default_rng([seed, 7]))
        form = stepped(cell)
        form["steps"] += [again(cell, step, more_g) for step in form["steps"]]
        said = judged("calibration", form, Settings(), DAY)
        return bool(_property(said, "repeatability")["ok"])

    for share, least, most in ((0.8, 0.95, None), (1.0, 0.2, 0.3), (1.2, None, 0.05)):
        number = sum(passed(share * limit_g, k) for k in range(times))
        name = f"calibration, repeatability: {share:g} of its limit, passed"
        yield Figure(name, number, times, least, most)
