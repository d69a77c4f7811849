"""Counts that come in clusters of any length: insects, condensation, a wire that works loose.

Each count calls further ones for a while, so the rate follows what was counted lately (a Hawkes
process). It fits whatever has no rhythm, at a rate that may change as it likes.
"""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement

# For how long a count calls others, s.
LASTS_S = judgement((30.0, 120.0, 600.0, 1800.0, 10800.0), "s")
# Further counts that each count calls (judgement).
_CALLED = judgement(0.9, "share")


class Clusters:
    """Log-likelihood of counts that come so, from start_s on; dark_per_s: of uncalled counts."""

    def __init__(self, start_s: float, lasts_s: float, dark_per_s: float) -> None:
        self.lasts_s = lasts_s
        self.dark_per_s = dark_per_s
        self.last_s = start_s
        self.heat = 0.0
        self.log_sum = 0.0

    def add(self, t_s: float, company_per_s: float) -> None:
        """Take a count; company_per_s: what else may have made it then."""
        self._cool(t_s)
        called = _CALLED * self.heat / self.lasts_s
        self.log_sum += math.log(self.dark_per_s + called + company_per_s)
        # What company explains calls nothing.
        self.heat += (self.dark_per_s + called) / (self.dark_per_s + called + company_per_s)

    def until(self, t_s: float) -> float:
        """Log-likelihood of everything up to t_s."""
        seconds = max(t_s - self.last_s, 0.0)
        cooled = self.heat * -math.expm1(-seconds / self.lasts_s)
        return self.log_sum - self.dark_per_s * seconds - _CALLED * cooled

    def _cool(self, t_s: float) -> None:
        self.log_sum = self.until(t_s)
        self.heat *= math.exp(-max(t_s - self.last_s, 0.0) / self.lasts_s)
        self.last_s = max(t_s, self.last_s)
