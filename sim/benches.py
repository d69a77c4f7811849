"""Blind benches: what bench.toml says and what the bench is, drawn apart, for one night.

Nights of one bench as it is described prove little about the next bench; these are of a new bench
every night.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim.bench_draw import BenchDraw, OwnerKnowledge, draw_bench
from sim.blind import Induced, blank_of, draw_climate, with_leak
from sim.course import COURSES, draw_course
from sim.deliver import delivering
from sim.disturb import KINDS, draw_kind
from sim.record import simulate
from sim.scenario import Scenario
from sim.traits import Misses
from soakmon.config import Bench
from soakmon.watch.settings import Settings
from soakmon.weigh.blank_run import BlankRun, UnsureError, blank_run

# How long a blank run is made; and nobody waits longer than a week.
_BLANK_HOURS, _LONGEST_BLANK_HOURS = 24.0, 168.0
_SETTLED_S = 3600.0
_NIGHT_S, _LEAST_MEAN = 86400.0, 0.1
# From one can to the next of the same shop (judgement); so many nights a bench may have before.
_CANS_LOG_SD, _NIGHTS = 0.08, 1000
# Of benches that one shop has built alike, for one make of carburettor: reel of hose, vents of
# bottles and bowls from bench to bench (judgement).
_ONE_REEL_LOG_SD, _ONE_MAKE_LOG_SD = 0.1, 0.15
# Of a leak up to this, much of what leaves the bowl may dry before it falls: a hanging drop loses 1
# to 2.5 g/day.
_MAY_DRY_G_PER_DAY = 5.0
# Half of the gates that lose drops lose most of them in spells, nine of ten there (judgement).
_LOST_IN_SPELLS, _FOGGED = 0.5, 0.9


@dataclass(frozen=True, slots=True)
class BlindBench:
    """A night at a bench.

    scenario: what is. table: what bench.toml says; settings: the same as the decider is told;
    blank: the blank run if the owner did one that
    told something, judged as the product does. kind: what disturbs the night; course: how the leak
    changes.
    """

    scenario: Scenario
    table: dict[str, Any]
    settings: Settings
    kind: str
    blank: BlankRun | None = None
    course: str = "steady"


def blind_bench(
    seed: int,
    owner: OwnerKnowledge,
    induced: Induced | None = None,
    kind: str | None = None,
    *,
    night: int = 0,
    shop: int | None = None,
) -> BlindBench:
    """The bench and night of a seed; kind: what disturbs it (None: drawn).

    night: other than 0 another night of the same bench, before or after it. shop: it is one of the
    like benches of the shop of that seed; None: like none.
    """
    draw = draw_bench(seed, owner)
    draw = _on(night, draw if shop is None else _like(draw, draw_bench(shop, owner)))
    rng = np.random.default_rng([draw.scenario.seed, 80])
    of = draw_kind(rng) if kind is None else kind
    scenario = KINDS[of](draw.scenario, rng)
    induced = induced or Induced()
    scenario = with_leak(scenario, induced, rng)
    course = draw_course(rng) if induced.leak_g_per_day else "steady"
    scenario = _changing(scenario, course, rng)
    if induced.gates and 0 < induced.leak_g_per_day < _MAY_DRY_G_PER_DAY:
        scenario = delivering(scenario, induced.leak_g_per_day)
    if induced.lost and rng.random() < _LOST_IN_SPELLS:
        scenario = replace(scenario, misses=_in_spells(induced.lost))
    table = draw.table
    blank = _blank(draw) if owner is OwnerKnowledge.BLANK else None
    if blank is not None:
        priors = {"blank_scale": round(blank.blank_scale, 4)}
        priors["blank_rel_sd"] = round(blank.blank_rel_sd, 4)
        table = {**table, "priors": {**table.get("priors", {}), **priors}}
    settings = Bench.model_validate(table).settings()
    return BlindBench(scenario, table, settings, of, blank, course)


def _like(draw: BenchDraw, model: BenchDraw) -> BenchDraw:
    """A bench built as the model is, of its hose, bottles and racks, with its petrol in it."""
    bench, first = draw.scenario, model.scenario
    rng = np.random.default_rng([bench.seed, 84])
    reel, bottle, bowls = (
        float(rng.lognormal(0, log_sd))
        for log_sd in (_ONE_REEL_LOG_SD, _ONE_MAKE_LOG_SD, _ONE_MAKE_LOG_SD)
    )
    hose = first.geometry.hose
    hose = replace(hose, permeation_g_per_m2_day=reel * hose.permeation_g_per_m2_day)
    factors = first.factors
    if factors is not None:
        factors = replace(factors, bottle=bottle * factors.bottle, bowls=bowls * factors.bowls)
    scenario = replace(
        bench,
        geometry=replace(first.geometry, hose=hose),
        factors=factors,
        fuel=first.fuel,
        filled_ml=first.filled_ml,
    )
    return replace(draw, scenario=scenario, table=model.table)


def _on(night: int, draw: BenchDraw) -> BenchDraw:
    """The same bench on another day: other weather, draught and can, the same cell and hose."""
    if not night:
        return draw
    bench = draw.scenario
    rng = np.random.default_rng([bench.seed, 82, night + _NIGHTS])
    fuel = replace(bench.fuel, rvp_kpa=bench.fuel.rvp_kpa * float(rng.lognormal(0, _CANS_LOG_SD)))
    filled_ml = bench.filled_ml * float(rng.lognormal(0, 0.03))
    scenario = replace(
        bench,
        seed=int(rng.integers(1, 2**31)),
        fuel=fuel,
        climate=draw_climate(rng),
        draught=bench.draught * float(rng.lognormal(0, 0.05)),
        filled_ml=min(filled_ml, bench.geometry.bottle.capacity_ml),
    )
    return replace(draw, scenario=scenario)


def _changing(night: Scenario, name: str, rng: np.random.Generator) -> Scenario:
    """The night with leaks that change, and lose as much in all as if they were steady."""
    defects = []
    for defect in night.defects:
        course = COURSES[name](defect.onset_s, rng)
        rate = defect.rate_g_per_h / max(course.mean(defect.onset_s, _NIGHT_S), _LEAST_MEAN)
        defects.append(replace(defect, course=course, rate_g_per_h=rate))
    return replace(night, defects=tuple(defects))


def _in_spells(lost: float) -> Misses:
    """As many drops lost, a third of them at all times and the rest in spells of an hour."""
    always = lost / 3
    within = (lost - always) / (_FOGGED - always)
    return Misses(always, -math.log1p(-within), 3600.0, _FOGGED)


def _blank(draw: BenchDraw) -> BlankRun | None:
    """A blank run of the same bottle, hose and fuel on another day; None: it tells nothing."""
    settings = Bench.model_validate(draw.table).settings()
    rng = np.random.default_rng([draw.scenario.seed, 81])
    day = replace(
        blank_of(draw.scenario),
        climate=draw_climate(rng),
        draught=draw.scenario.draught * float(rng.lognormal(0, 0.05)),
    )
    return run_blank(day, settings)


def run_blank(day: Scenario, settings: Settings) -> BlankRun | None:
    """What the product says of readings of bottle and hose alone; None: nothing to be believed.

    As its owner would: for a day, and where that is too short for as long as it then asks.
    """
    hours = _BLANK_HOURS
    while hours <= _LONGEST_BLANK_HOURS:
        rows = simulate(day, hours=hours + _SETTLED_S / 3600, interval_s=60.0).rows
        # It begins when the hose is full and the cell has settled.
        rows = rows.part(int(np.searchsorted(rows.t_s, _SETTLED_S)), len(rows))
        try:
            blank = blank_run(
                settings.geometry,
                settings.fuel,
                rows.t_s,
                rows.mass_g,
                rows.air_c,
                zero_g_per_c=settings.priors.zero_g_per_c,
            )
        except UnsureError as unsure:
            hours = max(float(math.ceil(unsure.needed_hours)), hours + 6.0)
            continue
        return blank if blank.believable else None
    return None
