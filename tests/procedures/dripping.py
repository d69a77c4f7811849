"""Isolation, preflight and gates: drops with the feed open and shut, and before there is any."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np

from sim.bench_draw import drawn_cell
from soakmon.bench.edges import DropMerger
from soakmon.bench.ports import Edge
from soakmon.bench.preflight import PREFLIGHT_S, check_readings, fit
from soakmon.config import Bench
from soakmon.watch.rows import Rows
from soakmon.weigh.guided import judged
from tests.procedures.figures import Figure

DAY = date(2026, 3, 1)
BENCH = Bench()
SETTINGS = BENCH.settings()
_WATCHED_MIN = 30.0


def isolated(rng: np.random.Generator, per_min: float, keeps_on: float) -> dict:
    """A drip of some regularity at one carb, watched before and after the feed is shut.

    keeps_on: minutes for which it goes on. What the guide says of the carb.
    """
    shape = float(rng.choice([1.0, 30.0]))
    gaps = rng.gamma(shape, 1 / (shape * per_min), 60 + int(150 * per_min))
    at_min = np.cumsum(gaps) - rng.uniform(0, 1 / per_min)
    before = int(((at_min > 0) & (at_min <= _WATCHED_MIN)).sum())
    late = at_min[(at_min > _WATCHED_MIN) & (at_min <= _WATCHED_MIN + min(keeps_on, _WATCHED_MIN))]
    last = float(late[-1] - _WATCHED_MIN) if len(late) else None
    carb = {"before": before, "after": len(late), "last_drop_min": last}
    form = {"before_min": _WATCHED_MIN, "after_min": _WATCHED_MIN, "carbs": [carb]}
    return judged("isolation", form, SETTINGS, DAY).data["readings"][0]


def minute(rng: np.random.Generator, noise_g: float | None = None, drift_g_per_min: float = 0.0,
           dark_per_h: float = 0.02) -> bool:  # fmt: skip
    """Whether a minute of readings with the feed shut is found fit."""
    cell = drawn_cell(rng)
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


def figures(times: int) -> Iterator[Figure]:
    """What so many isolations, preflights and drips show."""
    rng = np.random.default_rng(21)
    for per_min in (0.1, 0.5, 2.0):
        name = f"isolation, {per_min:g} drops a minute"
        said = [isolated(rng, per_min, 1e9) for _ in range(times)]
        held = sum(abs(s["open_per_h"] - 60 * per_min) <= 2 * s["open_u_per_h"] for s in said)
        # The root of a count is less than 95 % of some counts: of five drops 88 %.
        yield Figure(f"{name}: rate within 95 %", held, times, 0.86)
        blamed = sum(s["way"] == "stops" for s in said)
        yield Figure(f"{name}: goes on, but the needle blamed", blamed, times, most=0.05)
        stopped = [isolated(rng, per_min, float(rng.uniform(0, 2))) for _ in range(times)]
        wrong = sum(s["way"] in {"goes on", "fades"} for s in stopped)
        yield Figure(f"{name}: stops, but a joint blamed", wrong, times, most=0.05)
        named = sum(s["way"] == "stops" for s in stopped)
        yield Figure(f"{name}: stops, and the needle named", named, times)
    refused = sum(not minute(rng) for _ in range(times))
    yield Figure("preflight: sound bench refused", refused, times, most=0.05)
    for name, traits in (
        ("noise of twice the limit", {"noise_g": 1.0}),
        ("drift of twice the limit", {"drift_g_per_min": 1.0}),
        ("a gate that counts 300 an hour", {"dark_per_h": 300.0}),
    ):
        passed = sum(minute(rng, **traits) for _ in range(times))
        yield Figure(f"preflight: {name} passed", passed, times, most=0.05)
    for per_s in (0.02, 1.0, 10.0, 40.0):
        pairs = [counted(rng, per_s) for _ in range(max(times // 10, 1))]
        # Up to ten a second two of 40 may fall into each other; of a stream a part is seen.
        least = 0.95 if per_s <= 10 else 0.15
        right = sum(least * true <= one <= true for one, true in pairs)
        name = f"gate, {per_s:g} drops a second: {least:.0%} and more counted"
        yield Figure(name, right, len(pairs), 0.9 if per_s > 1 else 0.99)
