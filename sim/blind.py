"""Blind nights: scenarios drawn at random, with a leak that is known, to measure the decider by."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.blend import blend, thinning
from sim.faults import Defect, Kind
from sim.plumbing import head_of
from sim.scenario import CellTraits, Happenings, Scenario
from sim.vapour import patch_g_per_s
from sim.weather import Climate
from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry

_H = 3600.0
_FUELS = (
    ("petrol_a", 0.35), ("petrol_b", 0.15), ("petrol_c", 0.15), ("petrol_d", 0.1),
    ("petrol_e", 0.07), ("petrol_f", 0.03), ("alkylate", 0.15),
)  # fmt: skip
_CAUSES = {
    Kind.NEEDLE_OPEN: "needle_stuck_open",
    Kind.NEEDLE_WEEP: "needle_weep",
    Kind.TUBE_CRACK: "overflow_tube_crack",
    Kind.BOWL_JOINT: "bowl_joint_weep",
    Kind.RAIL_JOINT: "rail_joint_weep",
    Kind.HOSE: "bench_plumbing_leak",
}
# A crack of the overflow tube is the commonest by one rebuilder's account, a joint of the rail the
# rarest; a split runs, what only seeps is sooner a joint (judgement). Cumulative shares.
_RUNS = ((Kind.BOWL_JOINT, 0.38), (Kind.TUBE_CRACK, 0.82), (Kind.RAIL_JOINT, 1.0))
_SEEPS = ((Kind.BOWL_JOINT, 0.56), (Kind.TUBE_CRACK, 0.76), (Kind.RAIL_JOINT, 1.0))
_SEEPS_G_PER_DAY = 4.8
# Share that begins hours after the fill: a split or a bad seat leaks as soon as there is fuel, a
# seal may first have to soften or dry out (judgement).
_LATE = {Kind.BOWL_JOINT: 0.6, Kind.RAIL_JOINT: 0.25, Kind.HOSE: 0.5}
_HOSES = 0.65
# What a drop loses while it grows, of what one loses that is ready to fall: mean of its radius.
_HANGING = 0.75
_NEEDLES_FROM_G_PER_DAY = 12.0
_OPEN_FROM_G_PER_DAY = 480.0


@dataclass(frozen=True, slots=True)
class Induced:
    """What is induced on a night: a leak of leak_g_per_day (0: none), mean of the night.

    gates: whether it arrives at a gate, and then the leak is what arrives; hard: a sunlit gate,
    volatile fuel in a warm shop or a drifting cell, in turn; lost: share of the drops that the
    gate does not see.
    """

    leak_g_per_day: float = 0.0
    gates: bool = True
    hard: bool = False
    lost: float = 0.0


def blind_scenario(seed: int, induced: Induced) -> Scenario:
    """The night of a seed: climate, fuel, fill, bench, cell and the induced leak.

    Ranges are workshop judgement (common practice, no source).
    """
    rng = np.random.default_rng([seed, 77])
    fuel = str(rng.choice([name for name, _ in _FUELS], p=[share for _, share in _FUELS]))
    night = Scenario(
        f"blind-{seed}",
        "a night drawn at random",
        seed,
        frozenset(),
        fuel=FUELS[fuel],
        blend="alkylate" if fuel == "alkylate" else "petrol_a",
        filled_ml=float(rng.uniform(400, 500)),
        geometry=BenchGeometry(),
        climate=draw_climate(rng),
        evaporation=float(rng.lognormal(0, 0.06)),
        draught=float(rng.uniform(0.95, 1.15)),
        cell=_cell(rng),
        happenings=_happenings(rng),
        dark_per_h=float(10 ** rng.uniform(-2.3, -1.0)),
    )
    if induced.hard:
        night = _hard(night, rng)
    return with_leak(night, induced, rng)


def blank_of(night: Scenario) -> Scenario:
    """The blank run of a night's bench: bottle and hose alone, the rack clamped off."""
    geometry = replace(night.geometry, bowls=())
    calm = replace(night.happenings, refill_s=None, bumps_s=(), sun_s=None, gap_s=None)
    return replace(night, geometry=geometry, defects=(), carbs=(), happenings=calm)


def draw_climate(rng: np.random.Generator) -> Climate:
    """A shop and a day of the year."""
    return Climate(
        mean_c=float(rng.uniform(9, 26)),
        swing_c=float(rng.uniform(0.5, 5)),
        clock_h=float(rng.uniform(14, 22)),
        warmest_h=float(rng.uniform(14, 17)),
        restless_c=float(rng.uniform(0.2, 1.0)),
    )


def _cell(rng: np.random.Generator) -> CellTraits:
    return CellTraits(
        noise_g=float(10 ** rng.uniform(-2, -0.9)),
        wander_g=float(10 ** rng.uniform(-2.2, -1.4)),
        zero_g_per_c=float(10 ** rng.uniform(-2, -1)),
        lag_s=float(rng.uniform(600, 3600)),
        creep_g=float(rng.uniform(0.02, 0.12)),
        spikes=float(rng.choice([0.0, 0.001, 0.002])),
        quantum_g=float(rng.choice([0.001, 0.01, 0.05])),
    )


def _happenings(rng: np.random.Generator) -> Happenings:
    refill = rng.random() < 0.05
    return Happenings(
        knocks_per_h=float(rng.uniform(0, 0.3)),
        bumps_s=tuple(rng.uniform(1 * _H, 23 * _H, rng.poisson(0.3)).tolist()),
        refill_s=float(rng.uniform(3, 16)) * _H if refill else None,
        refill_g=float(rng.uniform(30, 120)) if refill else 0.0,
    )


def _hard(night: Scenario, rng: np.random.Generator) -> Scenario:
    """One hardship, by the seed."""
    hardship = night.seed % 3
    if hardship == 0:
        from_s = float(rng.uniform(10, 16)) * _H
        sun = replace(night.happenings, sun_s=(from_s, from_s + 3 * _H),
                      sun_gate=int(rng.integers(1, 5)))  # fmt: skip
        return replace(night, happenings=sun)
    if hardship == 1:
        warm = replace(night.climate, mean_c=float(rng.uniform(24, 30)))
        volatile = str(rng.choice(["petrol_d", "petrol_e", "petrol_f"]))
        return replace(night, climate=warm, fuel=FUELS[volatile], blend="petrol_a")
    drifting = replace(night.cell, wander_g=float(rng.uniform(0.1, 0.3)),
                       zero_g_per_c=float(rng.uniform(0.1, 0.2)))  # fmt: skip
    return replace(night, cell=drifting)


def with_leak(night: Scenario, induced: Induced, rng: np.random.Generator) -> Scenario:
    """The night with the leak that is induced, wherever such a leak may be."""
    day = induced.leak_g_per_day
    carb = int(rng.integers(1, len(night.geometry.bowls) + 1))
    late, onset_s = float(rng.random()), float(rng.uniform(1, 6)) * _H
    patch_mm2 = float(10 ** rng.uniform(-0.3, 0.9))
    depth_mm = float(rng.uniform(8, 28))
    caught = float(rng.uniform(0.3, 1.0))
    pick = float(rng.random())
    if not day:
        return replace(night, outcomes=frozenset({"tight", "not_proven"}))
    kind = _kind(day, pick) if induced.gates else _unseen(pick)
    defect = Defect(
        kind,
        carb if induced.gates else 0,
        day / 24,
        onset_s if late < _LATE.get(kind, 0.0) else 0.0,
        depth_mm if kind is not Kind.TUBE_CRACK else 4.0,
        patch_mm2,
        caught if kind is Kind.RAIL_JOINT else 1.0,
    )
    return replace(
        night,
        outcomes=frozenset({"leaking"}),
        defects=(_delivering(night, defect),),
        misses=replace(night.misses, share=induced.lost) if induced.lost else night.misses,
        carbs=(carb,) if induced.gates else (),
        cause=_CAUSES[kind],
    )


def _delivering(night: Scenario, defect: Defect) -> Defect:
    """The defect with a gap so wide that the night's mean leak is what is induced.

    At a gate that is what reaches the lip, as from a drip set: what dries on the way or strays
    comes on top. Gaps pass more of warm fuel, and of fuel that stands higher.
    """
    rate = defect.rate_g_per_h
    mean_c = night.climate.mean_c
    if defect.carb:
        shares = blend(night.blend, night.fuel.rvp_kpa)
        rate += 3600 * patch_g_per_s(shares, defect.patch_mm2, mean_c, night.draught)
        rate += _HANGING * night.lip_dries_g_per_h
        rate /= defect.caught
    if defect.kind is not Kind.NEEDLE_OPEN:
        rate /= thinning(mean_c)
    if defect.kind in {Kind.RAIL_JOINT, Kind.HOSE, Kind.NEEDLE_WEEP}:
        bowls_ml = sum(bowl.volume_ml for bowl in night.geometry.bowls)
        rate /= head_of(night.geometry, night.filled_ml - bowls_ml)
    return replace(defect, rate_g_per_h=rate)


def _unseen(pick: float) -> Kind:
    """A leak that no gate sees is the bench's own or a joint of the rail beside the gates."""
    return Kind.HOSE if pick < _HOSES else Kind.RAIL_JOINT


def _kind(leak_g_per_day: float, pick: float) -> Kind:
    """Small leaks are joints and cracks; a needle that lets little by only fills its bowl."""
    if leak_g_per_day >= _OPEN_FROM_G_PER_DAY:
        return Kind.NEEDLE_OPEN
    if leak_g_per_day >= _NEEDLES_FROM_G_PER_DAY and pick < 0.3:
        return Kind.NEEDLE_WEEP
    place = pick * 997 % 1
    shares = _SEEPS if leak_g_per_day < _SEEPS_G_PER_DAY else _RUNS
    return next(kind for kind, up_to in shares if place < up_to)
