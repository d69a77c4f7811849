"""Draws a bench twice: as it is, and as its owner describes it.

Spreads are those of uncalibrated specimens, judged from the published values named beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from sim.blind import draw_climate
from sim.scenario import CellTraits, Happenings, Scenario
from sim.traits import CellSpecimen, DropTraits, Factors, GateTraits
from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry, Bottle, Bowl, Hose


class OwnerKnowledge(StrEnum):
    """How much the owner knows of the bench.

    careless: leaves bench.toml as it comes; careful: says what can be read, measured or asked;
    blank: careless, but has done a blank run.
    """

    CARELESS = "careless"
    CAREFUL = "careful"
    BLANK = "blank"


class PrintedHose(StrEnum):
    """What is printed on the hose, or to be seen of it, in the words of bench.toml."""

    ORDINARY = "ordinary"
    LOW = "low_permeation"
    CLEAR = "clear"


@dataclass(frozen=True, slots=True)
class _Wall:
    """Permeation in g/m²/day at 23 °C: middle and spread on a logarithmic scale; how many benches
    have it, of careless and of careful owners (judgement).
    """

    rated: float
    log_sd: float
    ethanol_counts: bool
    careless: float
    careful: float


# EPA's model has 450 for motorcycles and 122 for small engines, nozzle makers 600 as the limit of
# plain hose (30R6); a hose of 15 by its mark meets half or a quarter of it (EVHOSE.EMF). The six
# uncontrolled values of EPA are spread by 1.0. Clear tube: barrier grades 5 to 15, plain
# PVC 100 to 500 (from memory).
_WALLS = {
    PrintedHose.ORDINARY: _Wall(300.0, 0.6, True, 0.7, 0.45),
    PrintedHose.LOW: _Wall(6.0, 0.7, False, 0.1, 0.4),
    PrintedHose.CLEAR: _Wall(250.0, 0.9, True, 0.2, 0.15),
}
# What ethanol does to a hose rated on pure petrol, by volume share (NONROAD, EPA).
_ETHANOL = {0.0: 1.0, 0.05: 1.62, 0.1: 1.82}
_STATED = {0.0: "e0", 0.05: "e5", 0.1: "e10"}
_ETHANOL_SHARES = (0.2, 0.45, 0.35)
_ETHANOL_LOG_SD = 0.15
# A tenth of ethanol adds 7 kPa (NREL 2012); a can of unknown age has 50 kPa, fresh fuel what its
# class says: spread 0.2 and, with the batch's 0.04 that each night draws, 0.08.
_E10_KPA = 7.0
_CAN_KPA, _CAN_LOG_SD, _FRESH_LOG_SD = 50.0, 0.2, 0.07
_CLASSES = ("petrol_a", "petrol_b", "petrol_c", "petrol_d")
_CARBS, _CARBS_SHARES = (1, 2, 3, 4, 6), (0.1, 0.15, 0.1, 0.5, 0.15)


@dataclass(frozen=True, slots=True)
class BenchDraw:
    """A bench as it is, before anything leaks or happens, and as it is described.

    table: bench.toml.
    """

    scenario: Scenario
    table: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Hidden:
    """What is drawn of a bench that its description may or may not say."""

    kind: PrintedHose
    ethanol: float
    fuel: str


def draw_bench(seed: int, owner: OwnerKnowledge) -> BenchDraw:
    """The bench of a seed; a careless owner's is the same one with a blank run and without."""
    careful = owner is OwnerKnowledge.CAREFUL
    rng = np.random.default_rng([seed, 79, int(careful)])
    shares = [wall.careful if careful else wall.careless for wall in _WALLS.values()]
    hidden = _Hidden(
        PrintedHose(rng.choice(list(_WALLS), p=shares)),
        float(rng.choice(list(_ETHANOL), p=_ETHANOL_SHARES)),
        str(rng.choice(_CLASSES)),
    )
    geometry = _geometry(hidden, rng, careful=careful)
    scenario = Scenario(
        f"bench-{seed}",
        "a bench drawn at random",
        seed,
        frozenset(),
        fuel=_fuel(hidden, rng, careful=careful),
        geometry=geometry,
        filled_ml=_filled_ml(geometry, rng),
        climate=draw_climate(rng),
        # Draught and the day move all vents alike.
        draught=float(rng.lognormal(0, 0.1)),
        factors=_factors(rng, careful=careful),
        cell=draw_cell(rng),
        happenings=Happenings(knocks_per_h=float(rng.uniform(0, 0.2))),
        dark_per_h=float(10 ** rng.uniform(-2.3, -1.0)),
        drops=DropTraits(between=0.2, within=0.05, uneven=_uneven(rng)),
        gates=_gates(rng),
        lip_dries_g_per_h=0.08 * float(rng.lognormal(0, 0.6)),
    )
    if not careful:
        return BenchDraw(scenario, _careless_table(scenario))
    return BenchDraw(scenario, _careful_table(scenario, hidden, rng))


def _geometry(hidden: _Hidden, rng: np.random.Generator, *, careful: bool) -> BenchGeometry:
    wall = _WALLS[hidden.kind]
    rating = wall.rated * float(rng.lognormal(0, wall.log_sd))
    if wall.ethanol_counts and hidden.ethanol:
        rating *= _ETHANOL[hidden.ethanol] * float(rng.lognormal(0, _ETHANOL_LOG_SD))
    length_mm = 300.0 * float(rng.lognormal(0, 0.4 if careful else 0.2))
    volume_ml = 40.0 * float(np.clip(rng.lognormal(0, 0.25), 0.5, 1.6))
    bowl = Bowl(
        volume_ml=volume_ml,
        area_mm2=1200.0 * (volume_ml / 40.0) ** (2 / 3),
        headroom_mm=float(rng.uniform(4, 9)),
    )
    carbs = int(rng.choice(_CARBS, p=_CARBS_SHARES))
    head_mm = 400.0 * float(rng.lognormal(0, 0.15))
    return BenchGeometry(Bottle(), Hose(6.0, length_mm, rating), (bowl,) * carbs, head_mm)


def _fuel(hidden: _Hidden, rng: np.random.Generator, *, careful: bool) -> Any:
    named = FUELS[hidden.fuel]
    fresh_kpa = named.rvp_kpa * float(rng.lognormal(0, _FRESH_LOG_SD))
    can_kpa = _CAN_KPA * float(rng.lognormal(0, _CAN_LOG_SD))
    can_kpa += _E10_KPA if hidden.ethanol == max(_ETHANOL) else 0.0
    return replace(named, rvp_kpa=fresh_kpa if careful else can_kpa)


def _filled_ml(geometry: BenchGeometry, rng: np.random.Generator) -> float:
    rack_ml = sum(bowl.volume_ml for bowl in geometry.bowls)
    return max(float(rng.uniform(400, 500)), min(rack_ml + 150.0, geometry.bottle.capacity_ml))


def _factors(rng: np.random.Generator, *, careful: bool) -> Factors:
    """Bore and length of vents, and what the drawing leaves out (judgement).

    Bowls of unknown vents lose more than drawn, vapour running out of a second opening; where
    vents are measured and the openings were tried, as drawn.
    """
    middle, log_sd = (1.0, 0.3) if careful else (1.2, 0.5)
    bottle, bowls = float(rng.lognormal(0, 0.2)), middle * float(rng.lognormal(0, log_sd))
    return Factors(bottle, 1.0, bowls)


def _uneven(rng: np.random.Generator) -> float:
    """Spread of a drip's intervals: some percent mostly, random drops now and then (judgement)."""
    return float(rng.choice([0.0, rng.uniform(0.05, 0.2), rng.uniform(0.2, 0.6), 1.0],
                            p=[0.4, 0.3, 0.2, 0.1]))  # fmt: skip


def _gates(rng: np.random.Generator) -> GateTraits:
    """Some lips throw satellites; half of the recordings tell how long a beam was dark."""
    satellites = float(rng.uniform(0.3, 1)) if rng.random() < 0.3 else 0.0
    return GateTraits(satellites=satellites, widths=bool(rng.random() < 0.5))


def draw_cell(rng: np.random.Generator) -> CellTraits:
    """A small cell with its mount: zero 0.05 to 0.24 g/°C, creep 0.02 to 0.05 % of a kilogram.

    Wander: a few tenths of a gram in a day are seen; a fifth of cells strays and comes back.
    """
    sign = rng.choice([-1.0, 1.0], 2)
    zero = min(0.1 * float(rng.lognormal(0, 0.8)), 0.4)
    creep_g = min(0.3 * float(rng.lognormal(0, 0.6)), 1.5)
    returns_g = 0.2 * float(rng.lognormal(0, 0.4)) if rng.random() < 0.2 else 0.0
    specimen = CellSpecimen(
        zero_g_per_c=float(sign[0]) * zero,
        creep_g=float(sign[1]) * creep_g,
        span=float(rng.lognormal(0, 0.003)),
        returns_g=returns_g,
        warm_up_g=float(rng.choice([-1.0, 1.0])) * 0.1 * float(rng.lognormal(0, 0.8)),
    )
    return CellTraits(
        noise_g=float(10 ** rng.uniform(-2, -0.9)),
        wander_g=0.15 / np.sqrt(24) * float(rng.lognormal(0, 0.7)),
        lag_s=float(10 ** rng.uniform(2.8, 4.03)),
        spikes=float(rng.choice([0.0, 0.001, 0.01])),
        quantum_g=float(rng.choice([0.001, 0.01, 0.05])),
        specimen=specimen,
    )


def _careless_table(scenario: Scenario) -> dict[str, Any]:
    """As it comes, but for the number of carburettors, without which nothing would start."""
    return {"rack": {"carbs": len(scenario.geometry.bowls)}}


def _careful_table(scenario: Scenario, hidden: _Hidden, rng: np.random.Generator) -> dict[str, Any]:
    """Sizes within some percent, the kind of hose, the fuel's class, the cell's zero."""
    geometry, bowl = scenario.geometry, scenario.geometry.bowls[0]
    specimen = scenario.cell.specimen
    zero = abs(specimen.zero_g_per_c) if specimen is not None else scenario.cell.zero_g_per_c

    def measured(value: float, rel_sd: float, digits: int = 0) -> float:
        return round(value * float(rng.lognormal(0, rel_sd)), digits)

    carbs, volume_ml = len(geometry.bowls), measured(bowl.volume_ml, 0.05, 1)
    fill_ml = max(measured(scenario.filled_ml, 0.02), carbs * volume_ml + 50)
    return {
        "bottle": {"fill_ml": min(fill_ml, geometry.bottle.capacity_ml)},
        "hose": {
            "length_mm": measured(geometry.hose.length_mm, 0.03),
            "kind": hidden.kind.value,
        },
        "rack": {
            "carbs": carbs,
            "head_mm": measured(geometry.head_mm, 0.05),
            "bowl_volume_ml": volume_ml,
            "bowl_area_mm2": measured(bowl.area_mm2, 0.05),
            "headroom_mm": measured(bowl.headroom_mm, 0.1, 1),
            "vents": "measured",
        },
        "fuel": {"name": hidden.fuel, "ethanol": _STATED[hidden.ethanol], "age": "fresh"},
        "priors": {"zero_g_per_c": round(zero * float(rng.lognormal(0, 0.2)), 3)},
    }
