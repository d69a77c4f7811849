"""Counts of a gate that are neither drops nor rare: sun through leaves, a loose lead.

Such counts come in stretches of time: blocks of a fixed length are active or not, in runs, with any
number of counts, at any times, in an active one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from soakmon.watch.state import kept

_STARTS_PER_S = 0.01 / 600


@dataclass(frozen=True, slots=True)
class Blocks:
    """How counts come: blocks of block_s; stays: chance that an active one is followed by another.

    many: as in P(n) = (many + 1) / ((n + many)(n + many + 1)), the heavy-tailed number of counts in
    an active block: half of all blocks have more than `many`.
    """

    block_s: float
    stays: float
    many: int


# As clouds pass, and as leaves move.
KINDS = (Blocks(600.0, 0.8, 0), Blocks(60.0, 0.3, 6))


@kept
class Flicker:
    """Running log-likelihood of counts that come in such blocks, the first one from start_s."""

    def __init__(self, start_s: float, blocks: Blocks) -> None:
        self.start_s = start_s
        self.block_s, self.stays, self.many = blocks.block_s, blocks.stays, blocks.many
        self.starts = _STARTS_PER_S * blocks.block_s
        self.block = -1
        self.count = 0
        self.active_before = False
        self.total = 0.0

    def add(self, t_s: float) -> None:
        """Take a count."""
        block = self._block_at(t_s)
        if block != self.block:
            self.total, self.active_before = self._up_to(block)
            self.block, self.count = block, 0
        self.count += 1

    def until(self, t_s: float) -> float:
        """Log-likelihood of everything up to t_s."""
        return self._up_to(self._block_at(t_s) + 1)[0]

    def _block_at(self, t_s: float) -> int:
        return int((t_s - self.start_s) // self.block_s)

    def _up_to(self, block: int) -> tuple[float, bool]:
        """Log-likelihood up to the start of a block, and whether the one before it was active."""
        total, active = self.total, self.active_before
        if self.block >= 0:
            total += math.log(self.stays if active else self.starts) + self._log_active()
            active = True
        quiet = block - self.block - 1
        if quiet > 0:
            total += math.log(1 - (self.stays if active else self.starts))
            total += (quiet - 1) * math.log(1 - self.starts)
            active = False
        return total, active

    def _log_active(self) -> float:
        """An active block: its number of counts, at uniform times."""
        n, above = self.count, self.count + self.many
        number = math.log((self.many + 1) / (above * (above + 1)))
        return number + math.lgamma(n + 1) - n * math.log(self.block_s)
