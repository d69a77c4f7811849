"""Readings of a run as columns: what the recorded file, the simulator and the service hand over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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
