"""Page's CUSUM on standardised readings."""

from __future__ import annotations

from dataclasses import dataclass


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
