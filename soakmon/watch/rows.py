"""Readings of a run as columns: what the recorded file, the simulator and the service hand over."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RowCount:
    """What a gate (from 0) counted in the row of spacing_s that ends at t_s.

    dark_ms: how long its beam was dark, NaN where that is not known; shut: the feed was.
    """

    gate: int
    t_s: float
    count: int
    spacing_s: float
    dark_ms: float
    shut: bool


@dataclass(frozen=True, slots=True)
class Rows:
    """A stretch of readings, oldest first.

    t_s: (n,) seconds since the start of the run, increasing.
    mass_g: (n,) net reading; NaN where the reading is missing or bad.
    air_c: (n,) °C; NaN where missing.
    drops: (n, N) drops counted since the previous row at each of N gates; NaN where missing.
    fuel_c: (n,) °C or None when no fuel thermometer is fitted.
    feed_open: (n,) 1.0 open, 0.0 shut, NaN unknown; None when not recorded (then taken as open).
    block_ms: (n, N) how long the beam was dark, median of that row's counts of that gate; NaN where
    there is no count or its length is not known; None when not recorded.
    """

    t_s: Floats
    mass_g: Floats
    air_c: Floats
    drops: Floats
    fuel_c: Floats | None = None
    feed_open: Floats | None = None
    block_ms: Floats | None = None

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def gates(self) -> int:
        """Number of drop gates N."""
        return int(self.drops.shape[1])

    def struck(self, before_s: float) -> Iterator[RowCount]:
        """Counts in order of time; before_s: time of the row before these."""
        struck, gates = np.nonzero(self.drops > 0)
        if not len(struck):
            return
        spacing_s = np.diff(self.t_s, prepend=before_s)
        for row, gate in zip(struck.tolist(), gates.tolist(), strict=True):
            count, t_s = int(self.drops[row, gate]), float(self.t_s[row])
            dark_ms = math.nan if self.block_ms is None else float(self.block_ms[row, gate])
            shut = self.feed_open is not None and bool(self.feed_open[row] == 0)
            yield RowCount(gate, t_s, count, float(spacing_s[row]), dark_ms, shut)

    def part(self, start: int, stop: int) -> Rows:
        """Rows start to stop (exclusive), as views."""
        cut = slice(start, stop)
        return Rows(
            self.t_s[cut],
            self.mass_g[cut],
            self.air_c[cut],
            self.drops[cut],
            None if self.fuel_c is None else self.fuel_c[cut],
            None if self.feed_open is None else self.feed_open[cut],
            None if self.block_ms is None else self.block_ms[cut],
        )
