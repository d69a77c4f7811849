"""Isolation, preflight and gates: drops with the feed open and shut, and before there is any."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np

from sim.bench_draw import draw_cell
from soakmon.bench.edges import DropMerger
from soakmon.bench.ports import Edge
from soakmon.bench.preflight import PREFLIGHT_S, check_readings, fit
from soakmon.config import Bench
from soakmon.watch.rows import Rows
from soakmon.weigh.counts import exactly, mean_limits
from soakmon.weigh.guided import judged
from tests.procedures.figures import Figure, around, covered

DAY = date(2026, 3, 1)
BENCH = Bench()
SETTINGS = BENCH.settings()
_WATCHED_MIN = 30.0


def isolated(
    rng: np.random.Generator,
    per_min: float,
    keeps_on: float,
    *,
    regular: float | None = None,
    share: float = 1.0,
    after_min: float = _WATCHED_MIN,
) -> dict[str, Any]:
    """A drip at one carb, watched before and after the feed is shut: what the guide says of it.

    keeps_on: minutes for which it goes on, at a share of its rate. regular: 1 at random, 30 nearly
    in time; None: one or the other.
    """
    shape = float(rng.choice([1.0, 30.0])) if regular is None else regular

    def drops(rate: float, minutes: float) -> np.ndarray:
        gaps = rng.gamma(shape, 1 / (shape * rate), 20 + int(3 * rate * minutes))
        at_min = np.cumsum(gaps) - rng.uniform(0, 1 / rate)
        return at_min[(at_min > 0) & (at_min <= minutes)]

    before = len(drops(per_min, _WATCHED_MIN))
    late = drops(share * per_min, after_min)
    late = late[late <= keeps_on]
    last = float(late[-1]) if len(late) else None
    carb = {"before": before, "after": len(late), "last_drop_min": last}
    form = {"before_min": _WATCHED_MIN, "after_min": after_min, "carbs": [carb]}
    return judged("isolation", form, SETTINGS, DAY).data["readings"][0]


def _within(said: dict[str, Any], per_min: float) -> bool:
    low, high = said["open_limits_per_h"]
    return bool(low <= 60 * per_min <= high)


def rates(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """How often the limits of a rate hold, over rates of any size and at single ones."""

    def held(regular: float, per_min: float | None = None) -> int:
        drawn = np.exp(rng.uniform(math.log(0.1), math.log(2.0), times))
        each = drawn if per_min is None else np.full(times, per_min)
        said = (isolated(rng, one, 1e9, regular=regular) for one in each.tolist())
        return sum(_within(s, one) for s, one in zip(said, each.tolist(), strict=True))

    name = "isolation, drops at random"
    yield covered(f"{name}, 0.1 to 2 a minute: rate within 95 %", held(1.0), times)
    for per_min, mean in ((0.1, 3), (0.5, 15), (2.0, 60)):
        # Of a whole number limits hold at single means in steps; 91.6 to 97.3 from 3 drops on.
        exact = _held_at(float(mean))
        found = held(1.0, per_min)
        title = f"{name}, {mean} in the time ({exact:.1%} by Poisson): rate within 95 %"
        yield Figure(title, found, times, exact - 0.01, exact + 0.01)
    # A count does not tell that they fall in time: what holds for random ones always holds here.
    yield Figure(
        "isolation, drops in time: rate within the limits of random ones", held(30.0), times, 0.97
    )


def _held_at(mean: float) -> float:
    """The probability that limits of a Poisson number of that mean hold it."""
    limits = ((k, mean_limits(k)) for k in range(int(mean + 12 * mean**0.5 + 12)))
    return math.fsum(exactly(k, mean) for k, (low, high) in limits if low <= mean <= high)


def needles(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """Whether what goes on, stops or fades is told as such, also about the limits."""
    for per_min in (0.1, 0.5, 2.0):
        name = f"isolation, {per_min:g} drops a minute"
        said = [isolated(rng, per_min, 1e9) for _ in range(times)]
        blamed = sum(s["way"] == "stops" for s in said)
        yield Figure(f"{name}: goes on, but the needle blamed", blamed, times, most=0.05)
        stopped = [isolated(rng, per_min, float(rng.uniform(0, 2))) for _ in range(times)]
        wrong = sum(s["way"] in {"goes on", "fades"} for s in stopped)
        yield Figure(f"{name}: stops, but a joint blamed", wrong, times, most=0.05)
        named = sum(s["way"] == "stops" for s in stopped)
        yield Figure(f"{name}: stops, and the needle named", named, times)
    # Watched for as long as silence needs to tell after three drops in half an hour.
    needed_min = 2 + _WATCHED_MIN * (20 ** (1 / 3) - 1)
    said = [isolated(rng, 0.1, 1e9, regular=1.0, after_min=needed_min) for _ in range(times)]
    blamed = sum(s["way"] == "stops" for s in said)
    title = "isolation, watched as long as three drops ask for: goes on, but the needle blamed"
    yield Figure(title, blamed, times, most=0.05)

    def fades(gone: float) -> bool:
        return isolated(rng, 2.0, 1e9, regular=1.0, share=1 - gone)["way"] == "fades"

    # Half of 60 drops, 30, with the root of each count: by two standard deviations.
    stated = 2 * 0.5 * math.sqrt(1 / 60 + 1 / 30)
    yield from around("isolation, share of the drops that is gone", 0.5, stated, fades, times)
    dry = [
        judged("isolation", _dark(rng), SETTINGS, DAY).data["readings"][0]["way"]
        for _ in range(times)
    ]
    accused = sum(way != "dry" for way in dry)
    yield Figure("isolation, a dry gate that counts as it is said to: accused", accused, times,
                 most=0.05)  # fmt: skip


def _dark(rng: np.random.Generator) -> dict[str, Any]:
    """A night of what a dry gate counts by itself, split by the shutting of the feed."""
    minutes = 360.0
    before, after = rng.poisson(SETTINGS.priors.dark_per_h * minutes / 60, 2).tolist()
    last = float(rng.uniform(0, minutes)) if after else None
    carb = {"before": before, "after": after, "last_drop_min": last}
    return {"before_min": minutes, "after_min": minutes, "carbs": [carb]}


def minute(rng: np.random.Generator, noise_g: float | None = None, drift_g_per_min: float = 0.0,
           dark_per_h: float = 0.02) -> bool:  # fmt: skip
    """Whether a minute of readings with the feed shut is found fit."""
    cell = draw_cell(rng)
    t_s = np.arange(PREFLIGHT_S)
    walk = np.cumsum(rng.normal(0, cell.wander_g / 60, len(t_s)))
    mass_g = 335.0 + walk + drift_g_per_min * t_s / 60
    mass_g = mass_g + rng.normal(0, cell.noise_g if noise_g is None else noise_g, len(t_s))
    struck = rng.random(len(t_s)) < cell.spikes
    mass_g[struck] += 10 ** rng.uniform(0, 3, int(struck.sum()))
    drops = rng.poisson(dark_per_h / 3600, (len(t_s), len(SETTINGS.geometry.bowls))).astype(float)
    air_c = np.full(len(t_s), 20.0)
    return fit(check_readings(Rows(t_s, mass_g, air_c, drops), BENCH))


def counted(rng: np.random.Generator, per_s: float) -> tuple[int, int]:
    """Drops that a gate's edges are merged into, and how many there were.

    Each rings once or twice while it passes; a third trail a satellite; loads are switched nearby.
    """
    gaps = rng.gamma(30.0, 1 / (30.0 * per_s), 40)
    fell_s = np.cumsum(gaps)
    blocks = []
    for at_s in fell_s.tolist():
        blocks.append((at_s, float(rng.uniform(0.003, 0.01))))
        if rng.random() < 0.5:
            blocks.append((at_s + 0.014, 0.001))
        if rng.random() < 0.3 and per_s < 10:
            blocks.append((at_s + float(rng.uniform(0.025, 0.055)), 0.0007))
    blocks += [(float(s), 5e-5) for s in rng.uniform(0, fell_s[-1], 5)]
    edges = [(t, Edge(0, t, blocked=True)) for t, _ in blocks]
    edges += [(t + lasts, Edge(0, t + lasts, blocked=False)) for t, lasts in blocks]
    ordered = [edge for _, edge in sorted(edges, key=lambda e: e[0])]
    merger = DropMerger(1)
    return len(merger.push(ordered, float(fell_s[-1]) + 5.0)), len(fell_s)


def preflights(times: int, rng: np.random.Generator) -> Iterator[Figure]:
    """Sound benches, and ones about the limits of a minute's look, which allows for nothing."""
    refused = sum(not minute(rng) for _ in range(times))
    yield Figure("preflight: sound bench refused", refused, times, most=0.05)

    def passed(**traits: float) -> int:
        return sum(minute(rng, **traits) for _ in range(times))

    # A minute tells noise to ± 40 %, and drift under noise of 0.05 g to ± 0.1 g/min.
    for name, of, limit, off in (
        ("noise, g", "noise_g", 0.5, 0.2),
        ("drift, g/min", "drift_g_per_min", 0.5, 0.1),
    ):
        still = {} if of == "noise_g" else {"noise_g": 0.05}
        inside, at, outside = (passed(**still, **{of: limit + k * off}) for k in (-1, 0, 1))
        title = f"preflight, {name}"
        yield Figure(f"{title}: inside by ± {off:g}, refused", times - inside, times, most=0.05)
        yield Figure(f"{title}: exactly at {limit:g}, refused", times - at, times, 0.3, 0.7)
        yield Figure(f"{title}: outside by ± {off:g}, passed", outside, times, most=0.05)
    for name, traits in (
        ("noise of twice the limit", {"noise_g": 1.0}),
        ("drift of twice the limit", {"drift_g_per_min": 1.0}),
        ("a gate that counts 300 an hour", {"dark_per_h": 300.0}),
    ):
        yield Figure(f"preflight: {name} passed", passed(**traits), times, most=0.05)


def figures(times: int) -> Iterator[Figure]:
    """What so many isolations, preflights and drips show."""
    rng = np.random.default_rng(21)
    yield from rates(times, rng)
    yield from needles(times, rng)
    yield from preflights(times, rng)
    for per_s in (0.02, 1.0, 10.0, 40.0):
        pairs = [counted(rng, per_s) for _ in range(max(times // 10, 1))]
        # Up to ten a second two of 40 may fall into each other; of a stream a part is seen.
        least = 0.95 if per_s <= 10 else 0.15
        right = sum(least * true <= one <= true for one, true in pairs)
        name = f"gate, {per_s:g} drops a second: {least:.0%} and more counted"
        yield Figure(name, right, len(pairs), 0.9 if per_s > 1 else 0.99)
