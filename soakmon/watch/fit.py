"""Whether any story that the mass filter knows fits the record: a running predictive check.

Readings that are predicted rightly leave innovations that are independent and as wide as was said,
over minutes and over hours alike. Sums over blocks show what single readings hide: a cell that is
pulled about for an hour, a hose that settles. Neighbouring blocks are compared, so that a leak that
goes on evenly, which the prediction does not know of, is no misfit.
"""

from __future__ import annotations

import math

from soakmon.physics.belief import effort, judgement

# Readings to a block, about 10 minutes, 1 hour and 3 hours, at one a minute.
_BLOCKS = effort((10, 60, 180), "readings")
# Fewer blocks tell nothing.
_FEWEST = judgement(6, "blocks")
# One innovation may be a needle's sip or somebody's hand.
_MOST_SIGMA = judgement(3.0, "sd")
# In standard deviations, what chance may do to a good fit.
_CHANCE = judgement(1.5, "sd")


class Fit:
    """Takes standardised innovations, one by one."""

    def __init__(self) -> None:
        self.filled = [0] * len(_BLOCKS)
        self.sums = [0.0] * len(_BLOCKS)
        self.last = [math.nan] * len(_BLOCKS)
        self.count = [0] * len(_BLOCKS)
        self.squares = [0.0] * len(_BLOCKS)
        self.largest = [0.0] * len(_BLOCKS)

    def add(self, sigmas: float) -> None:
        """Take the next innovation, in standard deviations of what was predicted."""
        sigmas = min(max(sigmas, -_MOST_SIGMA), _MOST_SIGMA)
        for place, size in enumerate(_BLOCKS):
            self.sums[place] += sigmas
            self.filled[place] += 1
            if self.filled[place] == size:
                self._close(place, self.sums[place] / math.sqrt(size))
                self.filled[place], self.sums[place] = 0, 0.0

    def _close(self, place: int, block: float) -> None:
        before, self.last[place] = self.last[place], block
        if math.isfinite(before):
            square = (block - before) ** 2 / 2
            self.count[place] += 1
            self.squares[place] += square
            self.largest[place] = max(self.largest[place], square)

    @property
    def excess(self) -> float:
        """How many times wider than said the innovations are, as a variance; 1: no wider.

        Over the worst of the block lengths, less what chance may do (Wilson & Hilferty's chi-square
        limit, from memory; differences of neighbours tell two thirds of what their number says).
        The largest difference is left out: it may be where a leak began.
        """
        worst = 1.0
        for count, squares, largest in zip(self.count, self.squares, self.largest, strict=True):
            if count >= _FEWEST:
                spread = 2 / (9 * (count - 1) * 2 / 3)
                chance = (1 - spread + _CHANCE * math.sqrt(spread)) ** 3
                worst = max(worst, (squares - largest) / (count - 1) / chance)
        return worst
