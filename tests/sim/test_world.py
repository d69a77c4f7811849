"""The simulated bench obeys its own physics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sim.blend import blend, vapour_kpa
from sim.faults import Defect, Kind
from sim.record import simulate
from sim.scenarios import SCENARIOS
from sim.world import World
from soakmon.physics.fuels import FUELS


def run(world: World, hours: float, *, feed_open: bool = True) -> None:
    world.advance(hours * 3600, feed_open=feed_open)


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_fuel_is_conserved(name):
    world = World(SCENARIOS[name], seed=3, hours=6)
    start_g = world.held_g
    run(world, 6)
    # Patches are counted as leaked and as held; what dried off them has left both.
    gone = world.evaporated_g + world.leaked_g - sum(world.patch_g) - world.added_g
    assert world.held_g + gone == pytest.approx(start_g, abs=1e-6)


def test_nothing_flows_while_the_feed_is_shut():
    world = World(SCENARIOS["dry-rack"], seed=1, hours=2)
    run(world, 1, feed_open=False)
    assert world.bowls_g.sum() == 0
    assert world.evaporated_g > 0


def test_the_rack_fills_to_its_float_levels_and_stops():
    world = World(SCENARIOS["dry-rack"], seed=1, hours=2)
    run(world, 1)
    volumes_ml = world.bowls_g.sum(axis=1) / 0.742
    assert np.all(np.abs(volumes_ml - 40) < 1.0)


def test_a_stuck_shut_needle_leaves_its_bowl_empty():
    world = World(SCENARIOS["needle-stuck-shut"], seed=1, hours=2)
    run(world, 1)
    assert world.bowls_g[3].sum() == 0
    assert world.bowls_g[0].sum() > 25


def test_overflow_begins_only_when_the_level_has_reached_the_lip():
    world = World(SCENARIOS["needle-weep"], seed=1, hours=10)
    run(world, 3)
    assert world.at_lip_g[1] == 0
    run(world, 5)
    assert world.at_lip_g[1] > 1


def test_a_cracked_tube_stops_at_the_crack_when_the_feed_is_shut_but_a_joint_drips_on():
    crack = World(SCENARIOS["overflow-tube-crack"], seed=1, hours=30)
    joint_scenario = replace(
        SCENARIOS["dry-rack"], defects=(Defect(Kind.BOWL_JOINT, 1, 0.9, depth_mm=30.0),)
    )
    joint = World(joint_scenario, seed=1, hours=30)
    for world in (crack, joint):
        run(world, 1)
        run(world, 12, feed_open=False)
    before = crack.at_lip_g[0], joint.at_lip_g[0]
    run(crack, 3, feed_open=False)
    run(joint, 3, feed_open=False)
    assert crack.at_lip_g[0] - before[0] < 0.5
    assert joint.at_lip_g[0] - before[1] > 1.0


def test_a_slow_weep_dries_before_it_drips():
    slow = replace(
        SCENARIOS["dry-rack"],
        defects=(Defect(Kind.BOWL_JOINT, 1, 0.01, depth_mm=12.0, patch_mm2=60.0),),
    )
    world = World(slow, seed=1, hours=24)
    run(world, 24)
    assert world.leaked_g > 0.1
    assert world.at_lip_g[0] == 0


@pytest.mark.parametrize("name", sorted(FUELS))
def test_the_blend_meets_its_reid_pressure(name):
    shares = blend(name, FUELS[name].rvp_kpa)
    assert shares.sum() == pytest.approx(1)
    factor = 1.0 if name == "test_fluid" else 1.05
    pressure = float(vapour_kpa(shares, 37.78).sum())
    assert pressure == pytest.approx(factor * FUELS[name].rvp_kpa, rel=0.01)


def test_light_ends_leave_first():
    world = World(SCENARIOS["hot-afternoon"], seed=1, hours=24)
    run(world, 24)
    bowl = world.bowls_g[0] / world.bowls_g[0].sum()
    bottle = world.bottle_g / world.bottle_g.sum()
    assert bowl[0] < bottle[0]
    assert bowl[-1] > bottle[-1]


def test_the_same_seed_gives_the_same_night_and_another_seed_another():
    first = simulate(SCENARIOS["gasket-weep"], seed=5, hours=2).rows
    again = simulate(SCENARIOS["gasket-weep"], seed=5, hours=2).rows
    other = simulate(SCENARIOS["gasket-weep"], seed=6, hours=2).rows
    assert np.array_equal(first.mass_g, again.mass_g, equal_nan=True)
    assert np.array_equal(first.drops, again.drops)
    assert not np.array_equal(first.mass_g, other.mass_g, equal_nan=True)


def test_one_advance_equals_many_small_ones():
    whole = World(SCENARIOS["dry-rack"], seed=2, hours=3)
    steps = World(SCENARIOS["dry-rack"], seed=2, hours=3)
    run(whole, 2)
    for _ in range(720):
        steps.advance(10.0, feed_open=True)
    assert steps.bottle_mass_g == pytest.approx(whole.bottle_mass_g, abs=0.05)
    assert steps.evaporated_g == pytest.approx(whole.evaporated_g, rel=0.02)


def test_drops_carry_the_mass_that_leaked():
    night = simulate(SCENARIOS["drop-a-minute"], seed=4)
    drop_g = night.truth.leaked_g / np.nansum(night.rows.drops[:, 0])
    assert 0.009 < drop_g < 0.022


@pytest.mark.parametrize("defect", [Defect(Kind.HOSE, 0, 400.0), Defect(Kind.BOWL_JOINT, 2, 250.0)])
def test_a_bench_that_has_run_dry_stays_one(defect):
    """Bottle, hose and bowls are empty, and where it leaked is still wet."""
    world = World(replace(SCENARIOS["dry-rack"], defects=(defect,)), seed=1, hours=4)
    run(world, 1)
    for empty in (world.bottle_g, world.line_g, world.bowls_g):
        empty[...] = 0.0
    run(world, 1)
    assert world.held_g == pytest.approx(sum(world.patch_g) + world.lips.hanging_g.sum())


def test_happenings_show_in_the_rows():
    frozen = simulate(SCENARIOS["cell-freezes"], hours=8).rows
    late = frozen.mass_g[frozen.t_s > 6 * 3600 + 5]
    assert np.ptp(late) == 0
    gap = simulate(SCENARIOS["gap-of-two-hours"], hours=12).rows
    assert np.diff(gap.t_s).max() == pytest.approx(7200, abs=3)
    stuck = simulate(SCENARIOS["gate-stuck"], hours=4).rows
    assert np.isnan(stuck.drops[-1, 1])
    refill = simulate(SCENARIOS["refill"], hours=5).rows
    before = np.nanmedian(refill.mass_g[(refill.t_s > 14000) & (refill.t_s < 14300)])
    after = np.nanmedian(refill.mass_g[(refill.t_s > 14500) & (refill.t_s < 14800)])
    assert after - before == pytest.approx(90, abs=1.5)


def test_progress_runs_to_its_end():
    told: list[float] = []
    simulate(SCENARIOS["dry-rack"], hours=1, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1)


def test_truth_names_the_first_drop():
    truth = simulate(SCENARIOS["needle-weep"], seed=9).truth
    assert list(truth.first_drop_s) == [2]
    assert truth.first_drop_s[2] > 3 * 3600
    assert math.isclose(truth.leaked_g, truth.leaked_curve_g[-1])


def test_a_night_whose_feed_is_shut_is_the_same_until_then():
    scenario = replace(SCENARIOS["overflow-tube-crack"], dark_per_h=2.0)
    fed = simulate(scenario, hours=8).rows
    shut = simulate(scenario, hours=8, shut_s=5 * 3600.0).rows
    until = int(np.searchsorted(fed.t_s, 5 * 3600.0))
    assert np.array_equal(fed.drops[:until], shut.drops[:until])


def test_a_shut_hose_gives_a_little_or_where_air_gets_in_all():
    held = []
    for seed in range(40):
        world = World(SCENARIOS["dry-rack"], seed, 8.0)
        world.advance(600.0, feed_open=False)
        world.advance(3000.0, feed_open=True)
        before_g = world.line_g.sum()
        world.bowls_g *= 0.5
        world.advance(3600.0, feed_open=False)
        held.append(world.line_g.sum() / before_g)
    assert all(share < 0.1 or share > 0.9 for share in held)
    assert 0.02 < np.mean(np.array(held) < 0.1) < 0.4
