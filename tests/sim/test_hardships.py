"""What fills, floats, lips, courses, cells and people do to a night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.course import COURSES, Course
from sim.faults import Defect, Kind
from sim.quirks import bad_words
from sim.record import simulate
from sim.scenario import CellTraits, Scenario
from sim.scenarios import SCENARIOS
from sim.traits import Air, CellSpecimen, Fill, Soaking, Visit
from sim.world import World

DRY = SCENARIOS["dry-rack"]
STILL = CellTraits(noise_g=0.0, wander_g=0.0, spikes=0.0, specimen=CellSpecimen())


def after(scenario: Scenario, hours: float) -> World:
    world = World(scenario, seed=3, hours=hours)
    world.advance(600.0, feed_open=False)
    world.advance(3600 * hours - 600, feed_open=True)
    return world


def off_g(specimen: CellSpecimen, **others) -> np.ndarray:
    """What a cell adds to the readings of eight hours, every ten seconds."""
    scenario = replace(DRY, **others)
    plain, odd = (
        simulate(replace(scenario, cell=cell), hours=8, interval_s=10.0).rows.mass_g
        for cell in (STILL, replace(STILL, specimen=specimen))
    )
    return odd - plain


@settings(max_examples=15, deadline=None)
@given(
    st.fixed_dictionaries(
        {
            "soaking": st.builds(Soaking, st.floats(0, 3)),
            "lip_dries_g_per_h": st.floats(0, 0.3),
            "runs_out_l_per_day": st.floats(0, 5),
            "fill": st.builds(Fill, flow=st.floats(0.05, 1), blocked_s=st.just(((900.0, 1500.0),))),
        }
    ),
    st.sampled_from(list(COURSES)),
    st.sampled_from([Kind.BOWL_JOINT, Kind.NEEDLE_WEEP]),
    st.integers(0, 9),
)
def test_fuel_is_conserved_whatever_is_odd(oddities, course, kind, seed):
    leak = Defect(kind, 1, 2.0, course=COURSES[course](0.0, np.random.default_rng(seed)))
    scenario = replace(DRY, defects=(leak,), **oddities)
    world = World(scenario, seed=seed, hours=6)
    start_g = world.held_g
    world.advance(600.0, feed_open=False)
    world.advance(5 * 3600.0, feed_open=True)
    hangs_g = sum(world.patch_g) + float(world.lips.hanging_g.sum())
    gone_g = world.evaporated_g + world.leaked_g - hangs_g
    assert world.held_g + gone_g == pytest.approx(start_g, abs=1e-6)


def test_a_course_is_what_it_says_and_its_mean_is_right():
    course = Course((10.0, 20.0), (0.0, 3.0))
    assert [course.at(t) for t in (0, 10, 15, 20, 99)] == [1, 0, 0, 3, 3]
    assert course.mean(0, 40) == pytest.approx((10 + 0 + 60) / 40)


def test_a_leak_that_ends_leaks_no_more():
    defect = Defect(Kind.BOWL_JOINT, 1, 2.0, course=Course((7200.0,), (0.0,)))
    world = after(replace(DRY, defects=(defect,)), 3)
    before_g = world.leaked_g
    world.advance(3600.0, feed_open=True)
    assert before_g > 1
    assert world.leaked_g == before_g


def test_what_dries_at_a_lip_never_falls_but_is_lost():
    weep = Defect(Kind.BOWL_JOINT, 1, 0.05, depth_mm=15.0, patch_mm2=0.5)
    wet, dry = (
        after(replace(DRY, defects=(weep,), lip_dries_g_per_h=rate), 12) for rate in (0.0, 0.08)
    )
    assert wet.at_lip_g[0] > 0.3
    assert dry.at_lip_g[0] < 0.0146
    assert dry.leaked_g == pytest.approx(wet.leaked_g, rel=0.05)


def test_vapour_that_runs_out_comes_on_top():
    plain, open_pipes = (after(replace(DRY, runs_out_l_per_day=q), 6) for q in (0.0, 9.0))
    more_g_per_day = 4 * (open_pipes.evaporated_g - plain.evaporated_g)
    assert 15 < more_g_per_day < 40


def test_floats_take_what_they_take():
    world = after(replace(DRY, soaking=Soaking(2.0, 3600.0)), 6)
    assert world.floats_g.sum() == pytest.approx(8.0, rel=0.05)
    assert world.bottle_mass_g < after(DRY, 6).bottle_mass_g - 6


@pytest.mark.parametrize(
    ("fill", "early", "late"),
    [
        (Fill(), 1.0, 1.0),
        (Fill(blocked_s=((0.0, 6000.0),)), 0.0, 1.0),
        (Fill(flow=0.005), 0.3, 1.0),
        (Fill(blocked_s=((630.0, 6000.0),)), 0.5, 1.0),
    ],
)
def test_fills_begin_late_are_slow_or_stop(fill, early, late):
    world = after(replace(DRY, fill=fill), 1)
    full_g = 4 * 40 * 0.745
    assert world.bowls_g.sum() / full_g == pytest.approx(early, abs=0.3)
    world.advance(4 * 3600.0, feed_open=True)
    assert world.bowls_g.sum() / full_g == pytest.approx(late, abs=0.05)


def test_a_cell_warms_up_also_after_a_power_cut():
    cut = replace(DRY.happenings, gap_s=(7200.0, 9000.0))
    off = off_g(CellSpecimen(warm_up_g=0.3), happenings=cut)
    assert off[0] == pytest.approx(0.3, abs=0.01)
    assert off[718] == pytest.approx(0.0, abs=0.01)
    assert off[719:760].max() == pytest.approx(0.3, abs=0.03)


def test_damp_swings_and_the_hose_pulls():
    assert np.ptp(off_g(CellSpecimen(humidity_g=0.4, humidity_s=28800.0))) == pytest.approx(
        0.8, abs=0.02
    )
    weather = replace(DRY.climate, swing_c=6.0)
    assert np.ptp(off_g(CellSpecimen(hose_g_per_c=0.1), climate=weather)) > 0.3


def test_creep_follows_what_is_poured_in():
    poured = replace(DRY.happenings, refill_s=10_000.0, refill_g=300.0)
    off = off_g(CellSpecimen(creep_g=3.0), happenings=poured)
    plain = off_g(CellSpecimen(creep_g=3.0))
    assert (off - plain)[-1] == pytest.approx(0.9, abs=0.02)


def test_bad_words_are_two_to_the_n_less_one():
    reading = bad_words(np.full(20_000, 300.0), 0.03, np.random.default_rng(1))
    struck = reading[reading != 300.0]
    assert len(struck) / 20_000 == pytest.approx(0.03, abs=0.005)
    counts = np.log2(struck * 430.0 + 60_000.0 + 1)
    assert counts == pytest.approx(np.round(counts), abs=1e-6)


def test_visitors_shake_and_leave_something_behind():
    visit = replace(DRY.happenings, visits=(Visit(7200.0, 60.0, 20.0, leaves_g=1.5),))
    shaken, plain = (
        simulate(replace(DRY, cell=STILL, happenings=one), hours=4, interval_s=10.0).rows.mass_g
        for one in (visit, DRY.happenings)
    )
    off = shaken - plain
    assert np.abs(off[:720]).max() < 1e-9
    assert np.ptp(off[720:726]) > 5
    assert off[730] == pytest.approx(1.5, abs=1e-6)


def test_a_draught_is_felt_by_the_thermometer_alone():
    cold = Air(0.0, ((7200.0, -5.0, 600.0),))
    felt, plain = (
        simulate(replace(DRY, air=air), hours=4, interval_s=10.0) for air in (cold, Air())
    )
    off = felt.rows.air_c - plain.rows.air_c
    assert off[722] == pytest.approx(-5, abs=0.3)
    assert abs(off[-1]) < 0.1
    assert felt.truth.evaporated_g == plain.truth.evaporated_g
