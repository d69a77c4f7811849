"""Sequential tests on standardised readings: Page's CUSUM and Wald's SPRT."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


@dataclass(slots=True)
class Cusum:
    """One-sided CUSUM for an upward shift (Page 1954).

    reference: half the shift to find, in sd; limit: decision interval, in sd. `began` counts the
    readings since the sum was last zero: they date the shift.
    """

    reference: float
    limit: float
    total: float = 0.0
    began: int = 0

    def add(self, standardised: float) -> bool:
        """Take a reading in sd from its mean; True when the sum passes the limit."""
        self.total = max(0.0, self.total + standardised - self.reference)
        self.began = self.began + 1 if self.total > 0 else 0
        return self.total > self.limit


class Decided(StrEnum):
    """Where a sequential probability ratio test stands."""

    NOTHING = "nothing"
    ALTERNATIVE = "alternative"
    OPEN = "open"


@dataclass(slots=True)
class Sprt:
    """Wald's test of a normal mean: `nothing` against `alternative`, both in units of `sd`.

    false_alarm, miss: chances of the two errors (Wald's limits, without overshoot).
    """

    nothing: float
    alternative: float
    sd: float
    false_alarm: float = 0.01
    miss: float = 0.01
    log_ratio: float = 0.0

    @property
    def limits(self) -> tuple[float, float]:
        """Log-ratio at or under which `nothing`, and at or over which the alternative is taken."""
        low = math.log(self.miss / (1 - self.false_alarm))
        high = math.log((1 - self.miss) / self.false_alarm)
        return low, high

    def add(self, value: float) -> Decided:
        """Take a reading and say where the test stands."""
        shift = self.alternative - self.nothing
        middle = (self.alternative + self.nothing) / 2
        self.log_ratio += shift * (value - middle) / self.sd**2
        low, high = self.limits
        if self.log_ratio >= high:
            return Decided.ALTERNATIVE
        return Decided.NOTHING if self.log_ratio <= low else Decided.OPEN
