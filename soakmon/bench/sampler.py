"""Reads the bench: raw samples for the guard, one row a second for everybody else."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from soakmon.bench.edges import Drop, DropMerger
from soakmon.bench.guard import Sample
from soakmon.bench.ports import BenchParts
from soakmon.watch.rows import Floats, Rows

ROW_S = 1.0
_STUCK_S = 2.0
_STALE_AIR_S = 120.0

# Seconds that a reading of the cell on demand is taken over.
WEIGHED_OVER = 5


@dataclass(frozen=True, slots=True)
class Scale:
    """Counts to grams: (count - zero) · g_per_count; outside 0 to capacity it is no mass."""

    g_per_count: float
    zero_counts: float
    capacity_g: float

    def grams(self, count: float) -> float | None:
        """Net mass in g, or None for what cannot be on this cell."""
        mass_g = (count - self.zero_counts) * self.g_per_count
        return mass_g if -0.5 <= mass_g <= self.capacity_g else None


class Sampler:
    """Samples the parts of a bench and folds the samples of a second into a row.

    start_boot_s: boot time at which the soak's clock reads start_t_s.
    """

    def __init__(
        self,
        parts: BenchParts,
        scale: Scale,
        dead_time_s: float,
        start_boot_s: float,
        start_t_s: float = 0.0,
    ) -> None:
        self.parts = parts
        self.scale = scale
        self.merger = DropMerger(parts.gates.count, dead_time_s)
        self.offset_s = start_t_s - start_boot_s
        self.row_end_s = start_t_s + ROW_S
        self.masses: list[float] = []
        self.raw: list[float] = []
        self.recent_counts: tuple[float, ...] = ()
        self.counts = np.zeros(parts.gates.count)
        self.dark_s: list[list[float]] = [[] for _ in range(parts.gates.count)]
        self.blocked_since: list[float | None] = [None] * parts.gates.count
        self.air_c = math.nan
        self.air_at_s = -math.inf
        self.drops: list[Drop] = []
        self.trouble = ""

    def take_air(self, air_c: float | None, t_s: float) -> None:
        """A temperature from the thermometer's own thread."""
        if air_c is not None:
            self.air_c, self.air_at_s = air_c, t_s

    def sample(self) -> tuple[Sample, Rows | None]:
        """Read everything once; with the row when its second is over."""
        t_s = self.parts.clock.boot_s() + self.offset_s
        reading = self.parts.cell.read()
        mass_g = None if reading.value is None else self.scale.grams(reading.value)
        self.trouble = reading.reason if reading.value is None else ""
        if mass_g is not None:
            self.masses.append(mass_g)
        if reading.value is not None:
            self.raw.append(reading.value)
        drops = self._drops(t_s)
        feed_open = self.parts.valve.is_open
        sample = Sample(t_s, mass_g, drops, feed_open, self.parts.vapour.active())
        row = None
        if t_s >= self.row_end_s - 1e-6:
            row = self._row(t_s, feed_open)
        return sample, row

    def _drops(self, t_s: float) -> tuple[tuple[float, ...], ...]:
        times: list[list[float]] = [[] for _ in range(self.parts.gates.count)]
        for drop in self.merger.push(self.parts.gates.edges(), t_s - self.offset_s):
            times[drop.gate].append(drop.t_s + self.offset_s)
            self.drops.append(replace(drop, t_s=drop.t_s + self.offset_s))
            self.dark_s[drop.gate].append(drop.dark_s)
        self.counts += [len(gate) for gate in times]
        for gate, blocked in enumerate(self.parts.gates.blocked()):
            since = self.blocked_since[gate]
            if blocked is False:
                self.blocked_since[gate] = None
            elif since is None:
                self.blocked_since[gate] = t_s
        return tuple(tuple(gate) for gate in times)

    def _row(self, t_s: float, feed_open: bool) -> Rows:
        mass = float(np.median(self.masses)) if self.masses else math.nan
        counts = self.counts.copy()
        for gate, since in enumerate(self.blocked_since):
            # A beam that stays blocked sees no drops: that is not the same as no drops.
            if since is not None and t_s - since > _STUCK_S:
                counts[gate] = math.nan
        air = self.air_c if t_s - self.air_at_s < _STALE_AIR_S else math.nan
        row = Rows(
            np.array([t_s]),
            np.array([round(mass, 4)]),
            np.array([air]),
            counts[None, :],
            None,
            np.array([1.0 if feed_open else 0.0]),
            self._dark_ms(counts)[None, :],
        )
        # Also what is no mass by this gain and zero: a cell is calibrated by it.
        second = float(np.median(self.raw)) if self.raw else math.nan
        self.recent_counts = (*self.recent_counts[1 - WEIGHED_OVER :], second)
        self.raw.clear()
        self.masses.clear()
        self.counts[:] = 0
        for dark_s in self.dark_s:
            dark_s.clear()
        self.row_end_s = max(self.row_end_s + ROW_S, t_s + 0.5 * ROW_S)
        return row

    def _dark_ms(self, counts: Floats) -> Floats:
        """(N,) median time for which each beam was dark at a drop of this row; NaN without."""
        return np.array(
            [
                1e3 * float(np.median(dark_s)) if dark_s and math.isfinite(count) else math.nan
                for dark_s, count in zip(self.dark_s, counts.tolist(), strict=True)
            ]
        )

    def take_drops(self) -> list[Drop]:
        """Drops with their times (s of the soak) since the last call."""
        drops, self.drops = self.drops, []
        return drops
