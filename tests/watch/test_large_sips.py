"""Needles that take far more at once than any that was expected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.conclude import conclude
from soakmon.watch.decide import decide, watched
from soakmon.watch.large_sips import Jump, LargeSips, largest_g
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome
from tests.watch.nights import BENCH, DROP_G, night

UNKNOWN = Settings()


def looked_at(*sizes_g: float) -> list[list[float]]:
    sips = LargeSips()
    steps = [Jump(600.0 * place, 600.0 * place + 120, g) for place, g in enumerate(sizes_g)]
    return [[sip.size_g for sip in sips.add(step)] for step in steps]


@pytest.mark.parametrize(
    ("sizes_g", "a_needles"),
    [
        ((-0.9, -0.8, -1.0), True),
        ((0.4, -0.9, -1.7, -0.9), True),
        ((-0.9, 0.9, -0.8, -1.0), False),
        ((-0.9, -2.0, -0.9), False),
        ((-4.0, -4.0, -4.0), False),
        ((-0.9, -0.8, 12.0, -1.0), False),
        ((-0.9, -0.8), False),
        ((1.0, 1.0, 1.0), False),
    ],
)
def test_three_down_alike_and_none_up_is_a_needle(sizes_g, a_needles):
    *before, last = looked_at(*sizes_g)
    assert not any(before)
    assert last == (list(sizes_g[-3:]) if a_needles else [])


def test_the_next_ones_may_be_larger_but_no_needle_takes_more_than_some_grams():
    assert largest_g([Jump(0, 0, -0.8), Jump(0, 0, -1.0)]) == 2.2
    assert largest_g([Jump(0, 0, -2.8)]) == 3.0


def by_sips(rows: Rows, leaks_g_per_h: float, sip_g: float, seed: int) -> Rows:
    """What a leak from the start takes out of a bowl of which the bottle knows only by sips."""
    rng = np.random.default_rng(seed)
    owed = leaks_g_per_h * rows.t_s / 3600
    ends = np.cumsum(sip_g * rng.uniform(0.9, 1.1, int(owed[-1] / sip_g) + 2))
    return replace(rows, mass_g=rows.mass_g - np.append(0.0, ends)[np.searchsorted(ends, owed)])


@pytest.mark.parametrize("sip_g", [0.8, 1.3])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leak_behind_a_needle_that_sticks_is_a_leak_of_its_size(seed, sip_g):
    """40 g/day that drip at carb 3 from the fourth hour on; the bottle loses them by sips."""
    rows = night(seed)
    late = np.searchsorted(rows.t_s, 4 * 3600.0)
    made = by_sips(replace(rows, t_s=np.maximum(rows.t_s - 4 * 3600.0, 0)), 40 / 24, sip_g, seed)
    fallen = np.floor(40 / 24 / DROP_G * np.maximum(rows.t_s / 3600 - 4.0, 0.0))
    drops = rows.drops.copy()
    drops[1:, 2] = np.diff(fallen)
    assert drops[:late].sum() == 0
    verdict = decide(replace(rows, mass_g=made.mass_g, drops=drops), BENCH, phase="soaking").verdict
    assert verdict.outcome is Outcome.LEAKING
    assert [leak.carb for leak in verdict.leaks] == [3]
    assert verdict.leak_g_per_h.low <= 40 / 24 <= verdict.leak_g_per_h.high
    assert not any(fault.kind in {"bump", "gate_noise"} for fault in verdict.faults)
    assert verdict.observed_loss_g == pytest.approx(rows.mass_g[0] - made.mass_g[-1], abs=1.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tight_rack_whose_bowls_fill_by_large_sips_is_no_leak(seed):
    """Half of what is lost is lost by the bowls, of which the bottle knows every gram at once."""
    rows = night(seed, evaporation=0.6)
    rows = by_sips(rows, 3.0 / 24, 0.9, seed)
    verdict = conclude(watched(rows, UNKNOWN, phase="soaking"))
    assert verdict.outcome is not Outcome.LEAKING
    assert not any(fault.kind == "bump" for fault in verdict.faults)


@pytest.mark.parametrize("seed", [1, 2])
def test_somebody_who_comes_by_now_and_then_is_no_needle(seed):
    """The bottle is pushed about: down, up, down, far down."""
    rows = night(seed)
    moved = np.zeros(len(rows))
    for hour, step in ((3.0, -0.9), (6.0, 0.9), (9.0, -1.0), (14.0, -2.5)):
        moved[rows.t_s >= hour * 3600] += step
    verdict = conclude(watched(replace(rows, mass_g=rows.mass_g + moved), BENCH, phase="soaking"))
    assert verdict.outcome is not Outcome.LEAKING
    assert sum(fault.kind == "bump" for fault in verdict.faults) == 4
