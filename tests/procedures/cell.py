"""A cell with nothing but masses on it, in class C3 or beyond it, as the recorded ones stray."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.bench_draw import draw_cell
from soakmon.weigh.oiml import CellClass

CELL = CellClass(1000.0)
FULL_G = 335.0
COUNTS_PER_G, _EMPTY = 2000.0, 1234.0
# The bench answers with the mean of ten seconds.
_READ_OVER = 10
CREEP_MIN = 1100.0 / 60.0
# A shop that warms by half a degree an hour while somebody works in it (judgement).
_WARMS_C_PER_H = 0.5


@dataclass
class Tried:
    """A cell: creep of a kilogram in half an hour, bow and lag (reading high on the way down) in
    the middle of its range, what stays of the load on the empty cell, g, and gain.

    reads: g, with noise, walk and zero of a recorded cell; `wait` lets minutes pass.
    """

    rng: np.random.Generator
    creep_g: float = 0.0
    bow_g: float = 0.0
    lag_g: float = 0.0
    stays_g: float = 0.0
    gain: float = 1.0

    def __post_init__(self) -> None:
        """Draw what it does beside that."""
        drawn = draw_cell(self.rng)
        self.noise_g = drawn.noise_g / np.sqrt(_READ_OVER)
        self.walk_g, self.zero_g_per_c = drawn.wander_g, drawn.specimen.zero_g_per_c
        self.now_min = self.walked_g = self.crept_g = self.load_g = 0.0
        self.falls = self.loaded = False

    def wait(self, minutes: float) -> None:
        """Let time pass under what is on it."""
        self.now_min += minutes
        self.walked_g += float(self.rng.normal(0, self.walk_g * np.sqrt(minutes / 60)))
        whole_g = self.creep_g * self.load_g / CELL.capacity_g / (1 - np.exp(-30 / CREEP_MIN))
        self.crept_g += (whole_g - self.crept_g) * (1 - np.exp(-minutes / CREEP_MIN))

    def put_on(self, mass_g: float) -> None:
        """Change what is on it."""
        self.falls, self.load_g = mass_g < self.load_g, mass_g

    def reads_g(self) -> float:
        """The reading now."""
        share = self.load_g / CELL.capacity_g
        middle_g = self.bow_g + self.lag_g * self.falls
        off_g = self.crept_g + self.walked_g + 4 * middle_g * share * (1 - share)
        off_g += self.stays_g * (self.loaded and share == 0)
        off_g += self.zero_g_per_c * _WARMS_C_PER_H * self.now_min / 60
        return self.gain * self.load_g + off_g + float(self.rng.normal(0, self.noise_g))

    def counts(self) -> float:
        """The same as the converter gives it."""
        return round(_EMPTY + COUNTS_PER_G * self.reads_g())
