"""Storms of drops: floods where the mass bears them out, whatever digits the cell reads by."""

from __future__ import annotations

import numpy as np

from soakmon.watch.flood import FloodWatch, Storm
from soakmon.watch.rows import Rows

DROP_G = 0.0133
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
