"""The evidence of one drop gate: is what it counts fuel, dark counts, or flicker?

Three stories compete over the times of the counts, as point processes:
- dark counts: Poisson at an unknown small rate;
- flicker (sun, a loose lead; see `flicker`);
- a leak: dark until a first drop, then drops that keep time, more or less (see `renewal`).
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.watch.flicker import STAYS, Flicker
from soakmon.watch.logs import log_sum
from soakmon.watch.renewal import Renewal, Rhythm
from soakmon.watch.rows import Floats
from soakmon.watch.state import kept

CELL_S = 900.0
# How drops of a leak keep time, and how likely: closely, roughly, not at all.
_RHYTHMS = ((Rhythm(40, 3), 0.6), (Rhythm(8, 0), 0.35), (Rhythm(1, 0), 0.05))
_MOST_EVENTS = 1500
# Dark rate as a multiple of the expected one, and its weight.
_DARK = ((0.25, 0.35), (1.0, 0.4), (3.0, 0.22), (10.0, 0.029), (30.0, 1e-3))
_LOG_WEIGHT: Floats = np.log([weight for _, weight in _DARK])
_DARK_AMONG_DROPS = 2.0
_FLICKER = 0.2


@kept
class GateEvidence:
    """Counts of one gate and the likelihood ratio of a leak, over drop rates (R,) per hour."""

    def __init__(self, rates_per_h: Floats, dark_per_h: float, start_s: float) -> None:
        self.rates: Floats = rates_per_h / 3600.0
        self.dark: Floats = np.array([m * dark_per_h / 3600.0 for m, _ in _DARK])
        self.start_s = start_s
        self.last_event_s = math.nan
        self.count = 0
        self.full = False
        among = _DARK_AMONG_DROPS * dark_per_h / 3600.0
        # How well each rhythm explains the intervals since the first count.
        self.rhythms = [Renewal(self.rates, among, rhythm) for rhythm, _ in _RHYTHMS]
        # First count of each onset cell: its time, log-likelihood of the counts before it as dark
        # ones, what each rhythm said at it.
        self.cells: list[float] = []
        self.dark_before: list[float] = []
        self.rhythms_at: list[list[Floats]] = [[] for _ in _RHYTHMS]
        self.flickers = [Flicker(start_s, stays, among) for stays in STAYS]

    def add(self, t_s: float, counts: int, spacing_s: float) -> None:
        """Counts seen in the spacing_s before t_s."""
        # A gate that has counted so much is past doubt: its evidence stays as it stood then.
        if self.count >= _MOST_EVENTS:
            self.full = True
            return
        for k in range(counts):
            self._event(t_s - spacing_s * (1 - (k + 1) / counts), dense=counts > 1)

    def _event(self, t_s: float, *, dense: bool) -> None:
        for rhythm in self.rhythms:
            rhythm.add(t_s, dense=dense)
        if not self.cells or t_s - self.cells[-1] > CELL_S:
            self.cells.append(t_s)
            self.dark_before.append(self._log_dark(self.count, t_s))
            for at, rhythm in zip(self.rhythms_at, self.rhythms, strict=True):
                at.append(rhythm.total)
        self.count += 1
        self.last_event_s = t_s
        for flicker in self.flickers:
            flicker.add(t_s)

    def log_no_leak(self, t_s: float) -> float:
        """Log-likelihood of everything so far without a leak: dark counts or flicker."""
        t_s = self.last_event_s if self.full else t_s
        dark = self._log_dark(self.count, t_s)
        each = _FLICKER / len(self.flickers)
        flickers = [flicker.until(t_s) + math.log(each) for flicker in self.flickers]
        return float(np.logaddexp.reduce([dark + math.log(1 - _FLICKER), *flickers]))

    def _log_dark(self, count: int, t_s: float) -> float:
        """Log-likelihood of so many dark counts up to t_s, over the dark rates."""
        seconds = max(t_s - self.start_s, 0.0)
        return float(log_sum(_LOG_WEIGHT + count * np.log(self.dark) - self.dark * seconds))

    def log_ratio(self, t_s: float) -> tuple[Floats, Floats]:
        """First-drop times (C,) s and log-likelihood ratios (C, R) of a leak starting to drip then.

        C is 0 while nothing was counted. The ratio is against `log_no_leak`.
        """
        if not self.cells:
            return np.zeros(0), np.zeros((0, len(self.rates)))
        t_s = self.last_event_s if self.full else t_s
        times = np.array(self.cells)
        since = [
            rhythm.until(t_s) - np.array(at) + math.log(weight)
            for rhythm, at, (_, weight) in zip(self.rhythms, self.rhythms_at, _RHYTHMS, strict=True)
        ]
        first = np.array(self.dark_before) - math.log(CELL_S)
        leak = np.logaddexp.reduce(since)
        return times, leak + first[:, None] - self.log_no_leak(t_s)
