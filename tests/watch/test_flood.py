"""Storms of drops: floods where the mass bears them out, whatever digits the cell reads by."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch.flood import FloodWatch, Storm
from soakmon.watch.rows import Rows

DIGIT_G = 0.05
SIP_G = 0.1


def storms(mass_g: np.ndarray, drops: np.ndarray, digit_g: float = DIGIT_G) -> list[Storm]:
    """What is found in rows of a second, with drops at the first of four gates."""
    counts = np.zeros((len(drops), 4))
    counts[:, 0] = drops
    t_s = np.arange(len(drops), dtype=float)
    watch = FloodWatch(DROP_G)
    rows = Rows(t_s, np.round(mass_g / digit_g) * digit_g, np.full(len(drops), 20.0), counts)
    return [
        storm
        for start in range(0, len(rows), 10)
        for storm in watch.push(rows.part(start, start + 10), filling=False)
    ]


def burst(rng: np.random.Generator, at_s: int) -> np.ndarray:
    drops = np.zeros(300)
    drops[at_s : at_s + 10] = rng.integers(0, 3, 10)
    return drops


def test_a_flip_of_a_coarse_cell_bears_no_burst_out():
    """The reading goes down by one digit, as evaporation has it, while the sun flickers."""
    found = []
    for seed in range(50):
        rng = np.random.default_rng(seed)
        at_s = int(rng.integers(100, 250))
        mass_g = np.where(np.arange(300) < at_s + rng.integers(-5, 10), 210.0, 210.0 - DIGIT_G)
        found += storms(mass_g, burst(rng, at_s))
    assert found == []


def test_a_sip_bears_no_burst_out():
    """A needle lets in a tenth of a gram while the sun flickers."""
    found = []
    for seed in range(50):
        rng = np.random.default_rng(seed)
        at_s = int(rng.integers(100, 250))
        sipped_g = np.clip((np.arange(300) - at_s + 30) / 60, 0, 1) * SIP_G
        mass_g = 210.0 - sipped_g + rng.normal(0, 0.01, 300)
        found += storms(mass_g, burst(rng, at_s), 0.01)
    assert found == []


def test_a_flood_is_found_with_a_coarse_cell():
    rng = np.random.default_rng(1)
    drops = np.where(np.arange(300) >= 200, rng.poisson(1.5, 300), 0)
    mass_g = 210.0 - DROP_G * np.cumsum(drops)
    found = storms(mass_g, drops)
    assert [storm.gate for storm in found] == [0]
    assert 200 < found[0].t_s < 240


def flood_of(
    spacing_s: float, g_per_h: float, *, share: float = 1.0, filling: bool = False
) -> list[Storm]:
    """A flood at the third gate from minute 20 on, of which the bottle loses a share."""
    rng = np.random.default_rng(2)
    t_s = np.arange(0.0, 2400.0, spacing_s)
    out_g = np.maximum(t_s - 1200.0, 0.0) * g_per_h / 3600
    counts = np.zeros((len(t_s), 4))
    counts[1:, 2] = np.diff(np.floor(out_g / DROP_G))
    mass_g = 210.0 - share * out_g + rng.normal(0, 0.03, len(t_s))
    watch = FloodWatch(DROP_G)
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), counts)
    step = max(int(60 / spacing_s), 1)
    return [
        storm
        for start in range(0, len(rows), step)
        for storm in watch.push(rows.part(start, start + step), filling=filling)
    ]


@pytest.mark.parametrize("spacing_s", [0.5, 5.0, 30.0, 60.0, 300.0])
@pytest.mark.parametrize("g_per_h", [60.0, 200.0])
def test_a_flood_has_its_gate_and_its_size_whatever_the_rows(spacing_s, g_per_h):
    (storm,) = flood_of(spacing_s, g_per_h)
    assert storm.gate == 2
    assert 0.4 * g_per_h < storm.rate_g_per_h < 1.3 * g_per_h
    assert storm.t_s - 1200 <= max(60.0, spacing_s)


@pytest.mark.parametrize("spacing_s", [1.0, 60.0])
def test_counts_over_a_bottle_that_loses_nothing_are_no_flood(spacing_s):
    assert flood_of(spacing_s, 100.0, share=0.0) == []


def test_a_flood_is_not_said_to_be_larger_than_what_the_bottle_lost():
    (storm,) = flood_of(60.0, 200.0, share=0.5)
    assert storm.rate_g_per_h < 130


def filled_with(counts: np.ndarray) -> list[Storm]:
    """Storms in rows of a second while the rack fills."""
    n = len(counts)
    rows = Rows(np.arange(float(n)), 300 - 0.2 * np.arange(n), np.full(n, 20.0), counts)
    return FloodWatch(DROP_G).push(rows, filling=True)


def test_hands_at_the_bench_are_no_flood_while_the_rack_fills():
    hand, shaken = np.zeros((60, 4)), np.zeros((60, 4))
    hand[30, 1] = 9
    shaken[20:40] = np.random.default_rng(1).integers(0, 3, (20, 4))
    assert filled_with(hand) == []
    assert filled_with(shaken) == []


def test_a_bowl_that_runs_over_while_the_others_fill_is_a_flood():
    over = np.zeros((60, 4))
    over[20:, 1] = 2
    (storm,) = filled_with(over)
    assert storm.gate == 1
    assert storm.t_s <= 30


def blind(
    per_s: np.ndarray, *, spacing_s: float = 1.0, gates: int = 1, seen: bool = False,
    stuck_from_s: float | None = None,
):  # fmt: skip
    """Storms of so many counts per s (of each second), at one gate or more, without a mass."""
    rng = np.random.default_rng(7)
    counts = np.zeros((len(per_s), 4))
    counts[:, :gates] = rng.poisson(per_s[:, None] * 0.98, (len(per_s), gates))
    row = np.arange(0, len(per_s), int(spacing_s))
    drops = np.add.reduceat(counts, row, axis=0)
    mass_g = np.full(len(row), np.nan)
    mass_g[: len(row) // 4] = 210.0
    if seen:
        mass_g[:] = 210.0
    if stuck_from_s is not None:
        mass_g = np.round(210.0 + rng.normal(0, 0.02, len(row)), 3)
        mass_g[row >= stuck_from_s] = 209.987
    watch = FloodWatch(DROP_G)
    rows = Rows((row + spacing_s), mass_g, np.full(len(row), 20.0), drops)
    step = max(int(60 / spacing_s), 1)
    return [
        storm
        for start in range(0, len(rows), step)
        for storm in watch.push(rows.part(start, start + step), filling=False)
    ]


SECONDS = np.arange(2400)
RUNS = np.where(SECONDS >= 1200, 4.0, 0.0)


@pytest.mark.parametrize("spacing_s", [1.0, 5.0, 10.0, 60.0])
def test_a_storm_that_goes_on_while_no_mass_is_read_is_a_flood(spacing_s):
    """Drops at four a second, and nothing on the cell: within two minutes, or two rows."""
    (storm,) = blind(RUNS, spacing_s=spacing_s)
    assert storm.gate == 0
    assert 1200 < storm.t_s <= 1320 + spacing_s
    assert storm.rate_g_per_h == pytest.approx(4 * 3600 * DROP_G, rel=0.2)


@pytest.mark.parametrize("spacing_s", [1.0, 5.0, 10.0])
def test_a_mass_that_repeats_itself_to_the_digit_is_none(spacing_s):
    """The converter hangs some minutes before the flood; a live one says that nothing goes."""
    (storm,) = blind(RUNS, spacing_s=spacing_s, stuck_from_s=1000.0)
    assert 1200 < storm.t_s <= 1320 + spacing_s
    assert blind(RUNS, spacing_s=spacing_s, stuck_from_s=1e9) == []


def test_what_else_storms_while_no_mass_is_read_is_no_flood():
    rng = np.random.default_rng(3)
    leaves = np.repeat(rng.exponential(4.0, 240), 10)
    assert blind(RUNS, seen=True) == [], "the bottle does not lose"
    assert blind(RUNS, gates=2) == [], "hum is counted at several gates"
    assert blind(np.where(SECONDS >= 1200, leaves, 0.0)) == [], "sun through leaves"
    assert blind(np.where((SECONDS >= 1200) & (SECONDS < 1270), 4.0, 0.0)) == [], "a minute's fly"
    assert blind(10 * RUNS) == [], "faster than drops fall"
    assert blind(0.15 * RUNS) == [], "slower than a flood"


def test_a_first_row_full_of_drops_has_no_time_before_it():
    first = Rows(np.zeros(1), np.array([np.nan]), np.array([20.0]), np.array([[500.0, 0.0]]))
    assert FloodWatch(0.0146).push(first, filling=False) == []


@pytest.mark.parametrize("spacing_s", [60.0, 300.0])
def test_the_first_row_of_a_watch_counts_since_the_row_before_it(spacing_s):
    """Two drops a minute, while the bottle loses a rack's fill, are no storm of seconds."""
    counts = np.zeros((4, 4))
    counts[:, 2] = 2 * spacing_s / 60
    t_s = 1000.0 + spacing_s * np.arange(4)
    rows = Rows(t_s, 210.0 - 5.0 * np.arange(4), np.full(4, 20.0), counts)
    for filling in (False, True):
        assert FloodWatch(DROP_G, 1000.0 - spacing_s).push(rows, filling=filling) == []
        # Nor where nobody knows how long that row is.
        assert FloodWatch(DROP_G).push(rows.part(0, 1), filling=filling) == []
