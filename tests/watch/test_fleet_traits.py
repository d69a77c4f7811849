"""Cells and gates by kind, on such as are made up for it; and what a soak shows of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom

from soakmon.watch.decide import decide
from soakmon.watch.fleet_traits import (
    HOURS,
    GateCounts,
    GateKind,
    careful_dark,
    careful_zero,
    cell_kind,
    gate_kind,
    odd_cell,
    odd_gates,
    of_cell,
)
from soakmon.watch.rows import Rows
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.traits import CellSeen
from tests.watch.nights import night


def cells(seed: int, zero: float, drift: float, count: int) -> list[CellSeen]:
    rng = np.random.default_rng(seed)
    return [
        CellSeen(float(rng.normal(0, zero)), 0.02, drift * float(rng.lognormal(0, 0.4)))
        for _ in range(count)
    ]


def gate(count: float, hours: float = 240.0, at: int | None = None) -> GateCounts:
    """A gate that counted evenly over the day, or all of it in one hour."""
    counts = [count / HOURS] * HOURS if at is None else [0.0] * HOURS
    if at is not None:
        counts[at] = count
    return GateCounts(tuple(counts), (hours / HOURS,) * HOURS)


def test_cells_of_a_kind_are_learnt_and_two_are_none():
    kind = cell_kind(cells(1, 0.2, 0.1, 40), 0.1)
    assert kind is not None
    assert kind.zero_g_per_c == pytest.approx(0.2, rel=0.25)
    assert kind.drift_g_per_root_h == pytest.approx(0.1, rel=0.2)
    assert cell_kind(cells(1, 0.2, 0.1, 2), 0.1) is None


def test_a_cell_that_departs_is_told_and_its_kind_is_not():
    of_kind = cells(2, 0.05, 0.05, 40)
    kind = cell_kind(of_kind, 0.1)
    assert kind is not None
    assert sum(bool(odd_cell(one, kind)) for one in of_kind) <= 1
    assert "follows the shop's temperature by 0.40" in odd_cell(CellSeen(-0.4, 0.02, 0.05), kind)
    assert "drifts by 0.90 g" in odd_cell(CellSeen(0.02, 0.02, 0.9), kind)
    # What a calm shop has not shown is not held against a cell.
    assert odd_cell(CellSeen(0.4, 0.3, 0.05), kind) == ""


def test_a_cell_by_several_soaks_is_that_of_the_surer_ones():
    together = of_cell([CellSeen(0.1, 0.01, 0.1), CellSeen(0.9, 1.0, 0.4)])
    assert together.zero_g_per_c == pytest.approx(0.1, abs=0.001)
    assert together.drift_g_per_root_h == pytest.approx(0.2)


def test_gates_of_a_kind_are_learnt_by_the_hour():
    rng = np.random.default_rng(4)
    gates = [gate(float(rng.poisson(4.8)), at=8) for _ in range(30)]
    kind = gate_kind(gates, 0.02)
    assert kind is not None
    assert kind.per_h == pytest.approx(0.02, rel=0.4)
    assert kind.by_hour[8] > 5 * kind.per_h
    assert max(rate for hour, rate in enumerate(kind.by_hour) if hour != 8) < kind.per_h
    assert gate_kind(gates[:2], 0.02) is None


def test_a_gate_that_departs_is_told_by_its_carb():
    rng = np.random.default_rng(5)
    gates = {k: gate(float(rng.poisson(4.8 * rng.gamma(2, 0.5)))) for k in range(40)}
    kind = gate_kind(list(gates.values()), 0.02)
    assert kind is not None
    assert len(odd_gates(gates, kind)) <= 1
    (text,) = odd_gates({1: gate(5.0), 2: gate(240.0)}, kind)
    assert text.startswith("gate 2 counts 1 an hour without a leak, others of its kind 0.0")


@given(st.integers(0, 60), st.floats(0.5, 40.0), st.sampled_from([0.25, 1.0, 8.0]))
def test_how_odd_a_gate_is_as_a_library_has_it(count, mean, shape):
    """Told where fewer than one in a thousand count as much."""
    kind = GateKind(9, mean / 240.0, shape, (0.0,) * HOURS)
    chance = nbinom.sf(count - 1, shape, shape / (shape + mean))
    if not math.isclose(chance, 0.001, rel_tol=0.01):
        assert bool(odd_gates({1: gate(float(count))}, kind)) == (chance < 0.001)


def test_what_is_learnt_is_only_ever_more_careful():
    """Cells that stray more widen, gates that count less are heard sooner; never the other way."""
    rough, calm = cell_kind(cells(1, 0.3, 0.1, 40), 0.1), cell_kind(cells(1, 0.02, 0.1, 40), 0.1)
    assert careful_zero(0.1, rough) > 0.2
    assert careful_zero(0.1, calm) == careful_zero(0.1, None) == 0.1
    quiet = gate_kind([gate(0.0, 2400.0)] * 20, 0.02)
    loud = gate_kind([gate(100.0, 2400.0)] * 20, 0.02)
    assert careful_dark(0.02, quiet) < 0.01
    assert careful_dark(0.02, loud) == careful_dark(0.02, None) == 0.02


def test_a_night_shows_what_its_cell_and_gates_are_like():
    settings = Settings(priors=DESCRIBED)
    rows = night(8, spacing_s=20.0)
    shifted = rows.mass_g + 0.3 * (rows.air_c - rows.air_c[0])
    traits = decide(Rows(rows.t_s, shifted, rows.air_c, rows.drops), settings).traits
    assert traits.cell is not None
    assert abs(traits.cell.zero_g_per_c - 0.3) < 4 * traits.cell.zero_sd + 0.1
    assert traits.cell.zero_sd < 0.15
    assert 0.01 < traits.cell.drift_g_per_root_h < 0.2
    assert [one.carb for one in traits.gates] == [1, 2, 3, 4]
    assert {len(one.counts) for one in traits.gates} == {23}
    assert not any(sum(one.counts) for one in traits.gates)


def test_a_gate_that_leaks_tells_no_dark_rate():
    settings = Settings(priors=DESCRIBED)
    leaking = decide(night(3, leak_g_per_h=0.5, carb=2, spacing_s=20.0), settings)
    assert leaking.traits.gates == ()
