"""Traits do what they say, and without them the named nights are what they have always been."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.blend import blend, vapour_kpa
from sim.blips import Blips
from sim.drift import Returning
from sim.record import simulate
from sim.scenario import CellTraits
from sim.scenarios import SCENARIOS
from sim.traits import CellSpecimen, DropTraits, Factors, GateTraits, Misses
from sim.wires import Wires
from sim.world import World
from soakmon.watch.rows import Rows

# Sum of readings in g, counts, grams evaporated and leaked in six hours, as before any traits (but
# drops are heavier by a tenth).
NIGHTS = (
    ("dry-rack", 463982.2120, 1, 0.528939368, 0.000000000),
    ("needle-stuck-open", 56523.5550, 14716, 0.450431869, 211.164372825),
    ("gasket-weep", 463429.1230, 13, 0.456310531, 0.171536015),
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
    lossy = simulate(replace(SCENARIOS["drop-a-minute"], misses=Misses(0.3)), hours=12)
    assert lossy.truth.leaked_g == whole.truth.leaked_g
    share = np.nansum(lossy.rows.drops[:, 0]) / np.nansum(whole.rows.drops[:, 0])
    assert share == pytest.approx(0.7, abs=0.08)


def counted(gates: GateTraits, hours: float = 24.0, **others) -> Rows:
    quiet = replace(SCENARIOS["dry-rack"].happenings, knocks_per_h=0.0)
    scenario = replace(SCENARIOS["dry-rack"], dark_per_h=0.0, happenings=quiet, gates=gates)
    return simulate(replace(scenario, **others), hours=hours).rows


@pytest.mark.parametrize(
    ("gates", "low_ms", "high_ms", "together"),
    [
        (GateTraits(mains_per_h=2.0, widths=True), 0.003, 0.3, True),
        (GateTraits(shakes_per_h=2.0, widths=True), 0.5, 60.0, True),
        (GateTraits(lights_per_h=2.0, widths=True), 80.0, 20_000.0, False),
        (GateTraits(insects_per_h=2.0, widths=True), 150.0, 10_000.0, False),
    ],
)
def test_what_is_no_drop_counts_as_long_as_it_darkens(gates, low_ms, high_ms, together):
    rows = counted(gates)
    assert rows.block_ms is not None
    seen = np.isfinite(rows.block_ms)
    assert np.array_equal(seen, rows.drops > 0)
    assert np.all((rows.block_ms[seen] >= low_ms) & (rows.block_ms[seen] <= high_ms))
    times = np.sort(rows.t_s[(rows.drops > 0).any(axis=1)])
    assert 10 < np.sum(np.diff(times, prepend=-100) > 60) < 150
    if together:
        at_once = [(rows.drops[abs(rows.t_s - t) < 61] > 0).any(axis=0).sum() for t in times]
        assert min(at_once) >= 2


def test_drops_darken_for_milliseconds_and_their_satellites_for_less():
    drip = replace(SCENARIOS["drop-a-minute"], gates=GateTraits(satellites=1.0, widths=True))
    alone = replace(drip, gates=GateTraits(widths=True))
    both, single = (simulate(one, hours=8, interval_s=0.1).rows for one in (drip, alone))
    assert np.nansum(both.drops[:, 0]) == pytest.approx(2 * np.nansum(single.drops[:, 0]), abs=6)
    lengths = single.block_ms[single.drops[:, 0] > 0, 0]
    assert 2.0 < np.median(lengths) < 15.0
    assert np.min(both.block_ms[both.drops[:, 0] > 0, 0]) < 2.0


def test_a_gate_misses_drops_in_spells():
    fogged = Misses(spells_per_h=0.3, spell_s=3600.0, in_spells=1.0)
    rows = simulate(replace(SCENARIOS["drop-a-minute"], misses=fogged)).rows
    drips = rows.t_s[(rows.drops[:, 0] > 0) & (rows.t_s > 5 * 3600)]
    assert np.diff(drips).max() > 3000
    assert len(drips) > 100


def test_uneven_drips_are_as_many():
    even, uneven = (
        simulate(replace(SCENARIOS["drop-a-minute"], drops=DropTraits(uneven=share))).rows
        for share in (0.0, 0.8)
    )
    spread = []
    for rows in (even, uneven):
        times = np.repeat(rows.t_s, np.nan_to_num(rows.drops[:, 0]).astype(int))
        gaps = np.diff(times[times > 6 * 3600])
        spread.append(gaps.std() / gaps.mean())
    assert spread[0] < 0.2
    assert spread[1] == pytest.approx(0.8, abs=0.15)
    assert uneven.drops[:, 0].sum() == pytest.approx(even.drops[:, 0].sum(), rel=0.1)


def test_wires_tell_every_block_once_in_order():
    blips = Blips(np.array([1.0, 1.001, 2.0]), np.array([0.0, 0.0, 1.0]), np.array([4.0, 1.0, 9e3]))
    wires = Wires(2)
    told = wires.edges(blips, 3.0)
    assert [(e.gate, round(e.t_s, 4), e.blocked) for e in told] == [
        (0, 1.0, True), (0, 1.004, False), (1, 2.0, True)
    ]  # fmt: skip
    nothing = Blips(np.zeros(0), np.zeros(0), np.zeros(0))
    assert [(e.t_s, e.blocked) for e in wires.edges(nothing, 12.0)] == [(11.0, False)]


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
