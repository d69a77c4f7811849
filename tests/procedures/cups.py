"""Drain, pump shots and floats: a scale that scatters, fuel that hangs and stays wet."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np

from soakmon.config import Bench
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.weigh.guided import judged
from soakmon.weigh.result import BenchTestResult
from soakmon.weigh.shots import LEAST_ML
from tests.procedures.figures import Figure, around, covered
from tests.procedures.scales import scatter_g

DAY = date(2026, 3, 1)
SETTINGS = Bench().settings()
G_PER_ML = float(density_kg_per_m3(SETTINGS.fuel, 20.0)) * 1e-3
CARBS, STROKES = 4, 20
_EMPTY_G, _BOWL_ML, _SHOT_ML = 50.0, 40.0, 0.3


class Scale:
    """One of a workshop, for one procedure."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng, self.sd_g = rng, scatter_g(rng)

    def shows(self, grams: np.ndarray) -> np.ndarray:
        """What it shows of masses (n,), g."""
        return np.round(grams + self.rng.normal(0, self.sd_g, len(grams)), 2)


def drained(rng: np.random.Generator, heights_mm: np.ndarray) -> tuple[BenchTestResult, np.ndarray]:
    """Bowls with floats at these heights about one setting; and what truly was in each, ml."""
    scale = Scale(rng)
    # What bench.toml says of the area is off by some percent, of all bowls alike.
    area_mm2 = SETTINGS.geometry.bowls[0].area_mm2 * float(rng.normal(1, 0.05))
    ml = _BOWL_ML + 1e-3 * area_mm2 * heights_mm
    # The fuel is as dense as its class allows, and some of it stays wet.
    g_per_ml = G_PER_ML * float(rng.normal(1, 0.01))
    full_g = _EMPTY_G + g_per_ml * ml - rng.uniform(0, 0.1, CARBS)
    empty, full = scale.shows(np.full(CARBS, _EMPTY_G)), scale.shows(full_g)
    cups = list(zip(empty.tolist(), full.tolist(), strict=True))
    return judged("drain", {"fuel_c": 20.0, "cups_g": cups}, SETTINGS, DAY), ml


def pumped(rng: np.random.Generator, ml: np.ndarray) -> BenchTestResult:
    """Pumps that give so much a stroke."""
    scale = Scale(rng)
    g_per_ml = G_PER_ML * float(rng.normal(1, 0.01))
    gained_g = np.maximum(g_per_ml * STROKES * ml + rng.uniform(-0.03, 0.03, len(ml)), 0.0)
    before = scale.shows(np.full(len(ml), _EMPTY_G))
    after = np.maximum(scale.shows(_EMPTY_G + gained_g), before)
    series = [[pair] for pair in zip(before.tolist(), after.tolist(), strict=True)]
    return judged("shots", {"strokes": STROKES, "series_g": series}, SETTINGS, DAY)


def soaked(rng: np.random.Generator, gain_g: float) -> BenchTestResult:
    """Floats that take up so much, wiped more or less dry, each weighed once."""
    scale = Scale(rng)
    dry = scale.shows(np.full(CARBS, 12.0))
    wet = scale.shows(12.0 + gain_g + rng.uniform(0, 0.03, CARBS))
    floats = [
        {"carb": carb, "dry_g": [d], "soaked_g": [w]}
        for carb, (d, w) in enumerate(zip(dry.tolist(), wet.tolist(), strict=True), start=1)
    ]
    return judged("float", {"floats": floats}, SETTINGS, DAY)


def _within(said: BenchTestResult, value: str, expanded: str, truth: np.ndarray) -> int:
    """How many of the carbs' true values lie within what is stated, 95 %."""
    pairs = zip(said.data["readings"], truth.tolist(), strict=True)
    return sum(abs(one[value] - true) <= one[expanded] for one, true in pairs)


def _accused(said: BenchTestResult) -> int:
    return sum("TAKES FUEL" in line for line in said.lines)


def of_drain(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """Volumes, and one float of four off."""
    well = [drained(rng, rng.uniform(-0.5, 0.5, CARBS)) for _ in range(times)]
    held = sum(_within(said, "volume_ml", "volume_expanded_ml", ml) for said, ml in well)
    yield covered("drain: volume within 95 %", held, CARBS * times)
    failed = sum(not said.passed for said, _ in well)
    yield Figure("drain: floats within 0.5 mm not passed", failed, times, most=0.05)

    def one_off(height_mm: float) -> BenchTestResult:
        return drained(rng, np.append(np.zeros(CARBS - 1), height_mm))[0]

    off = [one_off(2.5) for _ in range(times)]
    passed = sum(said.passed for said in off)
    yield Figure("drain: one 2.5 mm off passed", passed, times, most=0.05)
    # It grows with the height, by what is not known of the area: as far out as it is tried.
    far = [one_off(1.4).data["readings"][-1]["level_expanded_mm"] for _ in range(50)]
    stated_mm = float(np.mean(far))

    def bad(height_mm: float) -> bool:
        return not one_off(height_mm).passed

    yield from around("drain, level of one float, mm", 1.0, stated_mm, bad, times)


def of_shots(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """Even pumps, uneven ones, dead ones."""
    even_ml = [_SHOT_ML * rng.uniform(0.98, 1.02, CARBS) for _ in range(times)]
    said = [pumped(rng, ml) for ml in even_ml]
    held = sum(
        _within(s, "ml_per_stroke", "expanded_ml", ml) for s, ml in zip(said, even_ml, strict=True)
    )
    yield covered("shots: ml a stroke within 95 %", held, CARBS * times)
    yield Figure("shots: even pumps not passed", sum(not s.passed for s in said), times, most=0.05)

    def passed(*shares: float) -> int:
        return sum(pumped(rng, _SHOT_ML * np.array(shares)).passed for _ in range(times))

    for name, shares in (
        ("one a fifth weaker", (1, 1, 1, 0.8)),
        ("a dead one", (1, 1, 1, 0)),
        ("four dead ones", (0, 0, 0, 0)),
    ):
        yield Figure(f"shots: {name} passed", passed(*shares), times, most=0.05)

    def spread(by: float) -> BenchTestResult:
        return pumped(rng, _SHOT_ML * np.array([1 + by / 2, 1, 1, 1 - by / 2]))

    stated = spread(0.1).data["spread"]["expanded"]
    yield from around("shots, spread", 0.1, stated, lambda by: not spread(by).passed, times)

    def weak(ml: float) -> dict[str, Any]:
        return pumped(rng, np.array([ml])).data["readings"][0]

    # Here a pump must give for sure: what is left open counts against it.
    given_ml = weak(LEAST_ML)["expanded_ml"]
    for name, ml, bounds in (
        ("that gives no more than is no shot passed", LEAST_ML, {"most": 0.035}),
        ("that gives its ± more called dead", LEAST_ML + given_ml, {"most": 0.6}),
        ("that gives twice its ± more called dead", LEAST_ML + 2 * given_ml, {"most": 0.05}),
    ):
        alive = sum(pumped(rng, np.array([ml])).passed for _ in range(times))
        number = alive if "passed" in name else times - alive
        yield Figure(f"shots: a pump {name}", number, times, **bounds)


def of_floats(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """Tight floats, and ones that take fuel."""
    truth = np.full(CARBS, 0.2)
    held = sum(_within(soaked(rng, 0.2), "gain_g", "gain_expanded_g", truth) for _ in range(times))
    yield covered("floats: gain within 95 %", held, CARBS * times)
    accused = sum(_accused(soaked(rng, 0.0)) for _ in range(times))
    yield Figure("floats: a dry one accused", accused, CARBS * times, most=0.035)
    stated_g = soaked(rng, 0.0).data["readings"][0]["gain_expanded_g"]
    for name, gain_g, most in (("its ±", stated_g, 0.6), ("twice its ±", 2 * stated_g, 0.05)):
        missed = sum(CARBS - _accused(soaked(rng, gain_g)) for _ in range(times))
        yield Figure(
            f"floats: {name} of {gain_g:.2g} g taken up passed", missed, CARBS * times, most=most
        )


def figures(times: int) -> Iterator[Figure]:
    """What so many racks show."""
    rng = np.random.default_rng(11)
    yield from of_drain(times, rng)
    yield from of_shots(times, rng)
    yield from of_floats(times, rng)
