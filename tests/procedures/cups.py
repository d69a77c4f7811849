"""Drain, pump shots and floats: a scale that scatters, fuel that hangs and stays wet."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np

from soakmon.config import Bench
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.weigh.guided import judged
from soakmon.weigh.judge import Judged
from tests.procedures.figures import Figure

DAY = date(2026, 3, 1)
SETTINGS = Bench().settings()
G_PER_ML = float(density_kg_per_m3(SETTINGS.fuel, 20.0)) * 1e-3
CARBS, STROKES = 4, 20
_SCATTER_G, _EMPTY_G = 0.03, 50.0


def _shown(grams: np.ndarray, rng: np.random.Generator) -> list[float]:
    return np.round(grams + rng.normal(0, _SCATTER_G, len(grams)), 2).tolist()


def drained(rng: np.random.Generator, heights_mm: np.ndarray) -> tuple[Judged, np.ndarray]:
    """Bowls with floats at these heights about one setting; and what truly was in each, ml."""
    area_mm2 = SETTINGS.geometry.bowls[0].area_mm2
    ml = 40.0 + 1e-3 * area_mm2 * heights_mm
    # The fuel is as dense as its class allows, and some of it stays wet.
    g_per_ml = G_PER_ML * float(rng.normal(1, 0.01))
    full_g = _EMPTY_G + g_per_ml * ml - rng.uniform(0, 0.1, CARBS)
    cups = zip(_shown(np.full(CARBS, _EMPTY_G), rng), _shown(full_g, rng), strict=True)
    return judged("drain", {"fuel_c": 20.0, "cups_g": list(cups)}, SETTINGS, DAY), ml


def pumped(rng: np.random.Generator, ml: np.ndarray) -> Judged:
    """Pumps that give so much a stroke."""
    g_per_ml = G_PER_ML * float(rng.normal(1, 0.01))
    gained_g = np.maximum(g_per_ml * STROKES * ml + rng.uniform(-0.03, 0.03, CARBS), 0.0)
    before = _shown(np.full(CARBS, _EMPTY_G), rng)
    after = np.maximum(_shown(_EMPTY_G + gained_g, rng), before).tolist()
    series = [[pair] for pair in zip(before, after, strict=True)]
    return judged("shots", {"strokes": STROKES, "series_g": series}, SETTINGS, DAY)


def soaked(rng: np.random.Generator, gain_g: float) -> Judged:
    """Floats that take up so much, wiped more or less dry, each weighed once."""
    dry = _shown(np.full(CARBS, 12.0), rng)
    wet = _shown(12.0 + gain_g + rng.uniform(0, 0.03, CARBS), rng)
    floats = [
        {"carb": carb, "dry_g": [d], "soaked_g": [w]}
        for carb, (d, w) in enumerate(zip(dry, wet, strict=True), start=1)
    ]
    return judged("float", {"floats": floats}, SETTINGS, DAY)


def _within(said: Judged, value: str, expanded: str, truth: np.ndarray) -> int:
    """How many of the carbs' true values lie within what is stated, 95 %."""
    pairs = zip(said.data["readings"], truth.tolist(), strict=True)
    return sum(abs(one[value] - true) <= one[expanded] for one, true in pairs)


def _accused(said: Judged) -> int:
    return sum("TAKES FUEL" in line for line in said.lines)


def figures(times: int) -> Iterator[Figure]:
    """What so many racks show."""
    rng = np.random.default_rng(11)
    well = [drained(rng, rng.uniform(-0.5, 0.5, CARBS)) for _ in range(times)]
    held = sum(_within(said, "volume_ml", "volume_expanded_ml", ml) for said, ml in well)
    yield Figure("drain: volume within 95 %", held, CARBS * times, 0.93)
    failed = sum(not said.passed for said, _ in well)
    yield Figure("drain: floats within 0.5 mm not passed", failed, times, most=0.05)
    off = (np.append(rng.uniform(-0.5, 0.5, CARBS - 1), 2.5) for _ in range(times))
    yield Figure(
        "drain: one 2.5 mm off passed",
        sum(drained(rng, h)[0].passed for h in off),
        times,
        most=0.05,
    )

    even_ml = [0.3 * rng.uniform(0.98, 1.02, CARBS) for _ in range(times)]
    said = [pumped(rng, ml) for ml in even_ml]
    held = sum(
        _within(s, "ml_per_stroke", "expanded_ml", ml) for s, ml in zip(said, even_ml, strict=True)
    )
    yield Figure("shots: ml a stroke within 95 %", held, CARBS * times, 0.93)
    yield Figure("shots: even pumps not passed", sum(not s.passed for s in said), times, most=0.05)
    uneven = np.array([0.3, 0.3, 0.3, 0.24])
    yield Figure(
        "shots: one a fifth weaker passed",
        sum(pumped(rng, uneven).passed for _ in range(times)),
        times,
        most=0.05,
    )
    dead = np.array([0.3, 0.3, 0.3, 0.0])
    yield Figure(
        "shots: a dead one passed",
        sum(pumped(rng, dead).passed for _ in range(times)),
        times,
        most=0.05,
    )
    none = np.zeros(CARBS)
    yield Figure(
        "shots: four dead ones passed",
        sum(pumped(rng, none).passed for _ in range(times)),
        times,
        most=0.05,
    )

    accused = sum(_accused(soaked(rng, 0.0)) for _ in range(times))
    yield Figure("floats: a dry one accused", accused, CARBS * times, most=0.05)
    yield Figure(
        "floats: 0.3 g taken up passed",
        sum(soaked(rng, 0.3).passed for _ in range(times)),
        times,
        most=0.05,
    )
