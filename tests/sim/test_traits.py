"""Traits do what they say, and without them the named nights are what they have always been."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.blend import blend, vapour_kpa
from sim.drift import Returning
from sim.record import simulate
from sim.scenario import CellTraits
from sim.scenarios import SCENARIOS
from sim.traits import CellSpecimen, DropTraits, Factors
from sim.world import World

# Sum of readings in g, counts, grams evaporated and leaked in six hours, as before any traits.
NIGHTS = (
    ("dry-rack", 463982.2120, 1, 0.528939368, 0.000000000),
    ("needle-stuck-open", 56523.5550, 16138, 0.450431869, 211.164372825),
    ("gasket-weep", 463429.1230, 14, 0.456310531, 0.171536015),
    ("refill", 528186.3860, 0, 0.578194472, 0.000000000),
    ("bench-bumped", 450875.3010, 44, 0.527972202, 0.000000000),
    ("gate-in-sunlight", 463921.3560, 6, 0.559436412, 0.000000000),
)


@pytest.mark.parametrize(("name", "mass_g", "counts", "evaporated_g", "leaked_g"), NIGHTS)
def test_named_nights_stay_the_same(name, mass_g, counts, evaporated_g, leaked_g):
    night = simulate(SCENARIOS[name], hours=6, interval_s=10.0)
    assert np.nansum(night.rows.mass_g) == pytest.approx(mass_g, rel=1e-9)
    assert np.nansum(night.rows.drops) == counts
    assert night.truth.evaporated_g == pytest.approx(evaporated_g, rel=1e-8)
    assert night.truth.leaked_g == pytest.approx(leaked_g, rel=1e-8)


def test_factors_are_taken_as_they_are():
    plain = replace(SCENARIOS["dry-rack"], factors=Factors())
    thirsty = replace(SCENARIOS["dry-rack"], factors=Factors(bowls=3.0))
    lost = []
    for scenario in (plain, thirsty):
        world = World(scenario, seed=1, hours=4)
        world.advance(4 * 3600, feed_open=True)
        lost.append(world.evaporated_g)
    assert 1.5 < lost[1] / lost[0] < 3.0


def test_lost_drops_are_missing_from_the_count_alone():
    whole = simulate(SCENARIOS["drop-a-minute"], hours=12)
    lossy = simulate(replace(SCENARIOS["drop-a-minute"], drops=DropTraits(lost=0.3)), hours=12)
    assert lossy.truth.leaked_g == whole.truth.leaked_g
    share = np.nansum(lossy.rows.drops[:, 0]) / np.nansum(whole.rows.drops[:, 0])
    assert share == pytest.approx(0.7, abs=0.08)


def test_a_wander_that_comes_back_is_as_large_as_it_says_at_any_spacing():
    t_s = np.arange(0.0, 40 * 86400.0, 60.0)
    strays = Returning(0.25, 7200.0, np.random.default_rng(3)).walk(t_s)
    apart = [float(np.std(strays[n:] - strays[:-n])) for n in (10, 60)]
    assert strays.std() == pytest.approx(0.25, rel=0.1)
    assert apart == pytest.approx([0.1, 0.22], rel=0.1)
    coarse = Returning(0.25, 7200.0, np.random.default_rng(3)).walk(t_s[::10])
    assert coarse == pytest.approx(strays[::10])


def test_a_cell_is_what_its_specimen_says():
    specimen = CellSpecimen(zero_g_per_c=0.0, creep_g=2.0)
    still = CellTraits(noise_g=0.0, wander_g=0.0, spikes=0.0, specimen=specimen)
    flat = replace(still, specimen=CellSpecimen())
    creeping, flat_one = (
        simulate(replace(SCENARIOS["dry-rack"], cell=cell), hours=2, interval_s=10.0).rows
        for cell in (still, flat)
    )
    off = creeping.mass_g - flat_one.mass_g
    assert off[0] == pytest.approx(-2.0 * np.exp(-300 / 1100), abs=0.01)
    assert abs(off[50]) < abs(off[0])


@pytest.mark.parametrize("rvp_kpa", [25.0, 35.0, 56.0])
def test_fuel_that_stood_open_meets_its_pressure(rvp_kpa):
    shares = blend("petrol_a", rvp_kpa)
    assert shares.min() >= 0
    assert shares.sum() == pytest.approx(1)
    assert float(vapour_kpa(shares, 37.78).sum()) == pytest.approx(1.05 * rvp_kpa, rel=0.01)
