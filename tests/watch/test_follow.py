"""What of a minute's reading the filter is given: around spikes, steps, gaps and a frozen cell."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch.averaging import Average
from soakmon.watch.cell_states import OFFSET, SLACK
from soakmon.watch.follow import Follower, _spikes

SIP_G = 0.5
NOISE_G = 0.01
NOTHING = SimpleNamespace(total_g=0.0)


class Level:
    """A filter that believes the last reading it was given, with what else it was told."""

    def __init__(self):
        self.level_g, self.taken, self.told = 0.0, [], []
        self.temper = 1.0

    def surprise(self, row, reading, noise, inputs):
        return reading - self.level_g, NOISE_G

    def update(self, row, reading, noise, inputs):
        self.level_g = reading
        self.taken.append(round(reading, 3))

    def sip(self):
        self.told.append("sip")

    def loosen(self, state, sd_g):
        self.told.append(({SLACK: "slack", OFFSET: "offset"}[state], round(sd_g, 3)))

    def reopen(self, creep_g, cold_g):
        self.told.append(("reopen", round(creep_g, 3), round(cold_g, 3)))

    def coarsen(self, times):
        self.told.append(("coarsen", round(times, 2)))


class Bottle:
    """A follower fed with readings in g over the zero of 300 g, one a minute."""

    def __init__(self, load_g: float = 0.0):
        self.filter = Level()
        self.weep = SimpleNamespace(
            zero_g=300.0, drop_g=[0.013], filter=self.filter,
            fit=SimpleNamespace(add=lambda sd: None, excess=1.0),
            row=lambda evaporation: np.zeros(1), inputs=lambda evaporation: np.zeros(1),
        )  # fmt: skip
        self.follower = Follower(SIP_G)
        self.t_s = 0.0
        self.rng = np.random.default_rng(1)

    def reads(
        self, *off_g, after_s: float = 60.0, frozen: bool = False, noise_g: float = 0.001,
        drops: float = 0.0,
    ):  # fmt: skip
        for value in off_g:
            self.t_s += after_s
            mass_g = 300.0 + value + (0.0 if frozen else self.rng.normal(0, 0.002))
            average = Average(
                self.t_s, mass_g, noise_g, 6, 20.0, math.nan, 1.0, np.array([drops]), frozen
            )
            self.follower.step(average, after_s, self.weep, NOTHING)
        return self

    @property
    def faults(self):
        return [fault.kind for fault in self.follower.faults]


def calm(minutes: int = 30) -> Bottle:
    bottle = Bottle().reads(*[0.0] * minutes)
    bottle.filter.told.clear()
    return bottle


@pytest.mark.parametrize("shifts_g", [0.0, 40.0])
def test_what_lies_on_the_bottle_for_a_while_is_no_loss_however_it_moves(shifts_g):
    """An animal of 800 g sits there for 20 minutes, moves, and goes; 0.1 g evaporates meanwhile."""
    moves = [800.0, 800.0, 800.0, *[800.0 - shifts_g * k / 16 for k in range(17)]]
    bottle = calm().reads(*moves, *[-0.1] * 5)
    assert bottle.follower.steps.removed_g == 0.0
    assert bottle.follower.steps.load is None
    assert bottle.filter.level_g == pytest.approx(-0.1, abs=0.01)


def test_an_animal_that_shuffles_and_jumps_off_leaves_the_filter_as_it_was():
    """Its last minutes fall unevenly, from hundreds of grams to none: no flow, no fuel added."""
    sits = [1688.0, 1644.0, 1628.0, 1762.0, 1640.0]
    bottle = calm().reads(*sits, *[-0.1] * 12)
    assert bottle.follower.steps.removed_g == 0.0
    assert set(bottle.faults) == {"bump", "refill"}
    assert "slack" not in {told[0] for told in bottle.filter.told}
    assert bottle.filter.level_g == pytest.approx(-0.1, abs=0.01)
    # No minute is taken as sure that lies grams from the ones beside it.
    steps = [abs(g) for g in np.diff(bottle.filter.taken[30:]) if abs(g) > 100]
    assert len(steps) <= 2


def test_minutes_in_which_somebody_moves_tell_nothing():
    """An animal of 3 kg: no minute of it is a reading, however unsure; then all is as before."""
    restless = [1820.0, 3196.0, 3344.0, 3301.0, 3534.0, 2814.0, 3159.0]
    bottle = calm().reads(*restless, noise_g=400.0).reads(*[-0.1] * 5)
    assert bottle.follower.steps.removed_g == 0.0
    assert bottle.faults == ["bump"]
    assert "3534" in bottle.follower.faults[0].text
    assert bottle.follower.blind_s == 7 * 60.0
    assert bottle.filter.level_g == pytest.approx(-0.1, abs=0.01)


def test_a_flow_is_not_taken_for_somebody_who_moves():
    """Sixty readings a minute: 72 g a minute scatter by 2.7 g about their mean."""
    bottle = calm().reads(*[-72.0 * k for k in range(1, 5)], noise_g=2.7)
    assert bottle.follower.blind_s == 0.0
    assert bottle.filter.level_g < -200.0
    assert bottle.faults == []


def test_a_lone_count_does_not_make_a_flow_of_somebody_who_moves():
    bottle = calm().reads(0.01, noise_g=5.0, drops=1.0)
    assert bottle.follower.blind_s == 60.0


def test_what_fell_while_the_gates_counted_it_is_no_step_that_somebody_made():
    """12 g in a minute, and its drops: the feed was shut at once."""
    for drops, faults in ((0.0, ["bump"]), (100.0, ["bump"]), (900.0, [])):
        bottle = calm().reads(-12.0, noise_g=3.0 if drops == 900.0 else 0.001, drops=drops)
        bottle.reads(-12.0, -12.0, -12.0)
        assert bottle.faults == faults
        assert (bottle.follower.steps.removed_g == 0.0) == (not faults)


def test_what_stays_was_put_there_and_what_comes_off_hours_later_was_not_it():
    poured = calm().reads(*[300.0] * 5, *[297.0] * 4)
    assert poured.follower.steps.removed_g == pytest.approx(297.0, abs=0.1)
    late = calm().reads(*[50.0] * 200, *[0.0] * 4)
    assert late.follower.steps.removed_g == pytest.approx(0.0, abs=0.1)
    assert late.faults == ["refill", "bump"]


def test_more_than_the_bottle_holds_is_no_fuel():
    bottle = Bottle()
    bottle.follower.bottle_g = 500.0
    assert bottle.reads(*[0.0] * 30, *[501.0] * 3).faults == ["bump"]


def test_nothing_is_taken_before_the_noise_is_known():
    bottle = Bottle().reads(*[0.0] * 10)
    assert bottle.filter.taken == []
    bottle.reads(0.0)
    assert len(bottle.filter.taken) == 11
    assert bottle.filter.told == [("coarsen", 1.0)]


def test_a_spike_is_dropped_and_told_from_a_gram_on():
    bottle = calm().reads(0.9, 0.0)
    assert bottle.faults == []
    assert max(bottle.filter.taken) < 0.1
    assert bottle.reads(1.2, 1.2, 0.0).faults == ["bump"]
    assert max(bottle.filter.taken) < 0.1


def test_a_sip_a_bump_a_refill_and_a_flow():
    sip = calm().reads(-0.3, -0.3, -0.3)
    assert sip.filter.told[0] == "sip"
    assert (sip.faults, sip.follower.steps.removed_g) == ([], 0.0)
    bump = calm().reads(3.0, 3.0, 3.0)
    assert bump.faults == ["bump"]
    assert bump.follower.steps.removed_g == pytest.approx(3.0, abs=0.01)
    assert bump.filter.told[:2] == [
        ("offset", pytest.approx(9.0, abs=0.03)),
        ("reopen", pytest.approx(0.101, abs=0.001), 0.0),
    ]
    assert calm().reads(20.0, 20.0, 20.0).faults == ["refill"]
    flow = calm().reads(-0.3, -0.6, -0.9)
    assert flow.filter.told[0] == ("slack", pytest.approx(0.75, abs=0.02))
    assert flow.faults == []


def test_a_step_proves_that_the_cell_lives_and_one_that_drift_makes_does_not():
    assert calm().reads(0.15, 0.15, 0.15).follower.moved_s == -math.inf
    assert calm().reads(0.25, 0.25, 0.25).follower.moved_s == 31 * 60.0


def test_half_a_sip_in_the_noise_is_no_leak():
    assert calm().reads(-0.04).filter.told == ["sip"]
    assert calm().reads(-0.018).filter.told == []


def test_after_a_gap_the_cell_begins_anew():
    short = calm().reads(0.0, after_s=890.0)
    assert (short.faults, short.filter.told) == ([], [])
    long = calm().reads(0.0, after_s=910.0)
    assert long.faults == ["gap"]
    assert long.filter.told == [("reopen", 0.2, 0.3)]
    assert long.follower.longest_gap_s == 910.0


def test_a_frozen_cell_is_blind_time_and_told_once():
    bottle = calm(100).reads(*[0.0] * 30, frozen=True)
    assert bottle.faults == ["cell_frozen"]
    assert bottle.follower.blind_s == 15 * 60.0
    bottle.reads(math.nan)
    assert bottle.follower.blind_s == 16 * 60.0


def test_a_spike_is_what_its_neighbours_do_not_bear_out():
    assert _spikes([0.0, 5.0, 0.1, 0.0], 0.01) == [0.0, pytest.approx(4.95), 0.0, 0.0]
    assert _spikes([5.0, 0.0, 0.1, 0.0], 0.01)[0] == pytest.approx(4.95)  # the first
    assert _spikes([0.0, 0.1, 0.0, 5.0], 0.01) == [0.0] * 4  # the last is left open
    assert _spikes([0.0, 0.9, 0.0, 0.0], 0.01) == [0.0] * 4  # too small
    assert _spikes([0.0, 1.1, 0.0, 0.0], 0.01)[1] == pytest.approx(1.1)
    assert _spikes([0.0, 1.1, 0.0, 0.0], 0.3) == [0.0] * 4  # in its noise
    # Neighbours that are apart by more than a fifth of it bear nothing out.
    assert _spikes([0.0, 0.0, 5.0, 0.9, 0.9], 0.01)[2] == pytest.approx(4.55)
    assert _spikes([0.0, 0.0, 5.0, 1.0, 1.0], 0.01)[2] == 0.0


def test_a_first_reading_that_was_out_moves_the_zero():
    bottle = Bottle().reads(*[-5.0] * 12)
    assert bottle.weep.zero_g == pytest.approx(295.0, abs=0.02)
    assert bottle.follower.start_off_g == pytest.approx(5.0, abs=0.02)


def coarsened(*off_g: float) -> float:
    (times,) = (one[1] for one in Bottle().reads(*off_g).filter.told if one[0] == "coarsen")
    return times


def test_the_filter_is_told_of_a_cell_coarser_than_it_describes():
    assert coarsened(*[0.0, 0.06] * 6) == pytest.approx(0.063 / 0.05, abs=0.05)
    assert coarsened(*[0.0, 0.04] * 6) == 1.0
    assert coarsened(*[2200.0] * 12) == pytest.approx(2500 / 2000)
