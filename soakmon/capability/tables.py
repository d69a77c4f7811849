"""The statistics by which leak tests are evaluated, as plain functions.

Follows the form of the EPA standard test procedures for tank tests (UST-90-004, section 7, as
believed, from memory): errors of n tests with known induced leaks give bias and standard deviation,
and these the threshold and the smallest leak at given chances of a false alarm and of a miss.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean, stdev

from soakmon.weigh.student import rising_zero, t_quantile


def _log_binomial(successes: int, tried: int, share: float) -> float:
    """Log-probability of `found` of `tried`, 0 < share < 1."""
    ways = math.lgamma(tried + 1) - math.lgamma(successes + 1) - math.lgamma(tried - successes + 1)
    return ways + successes * math.log(share) + (tried - successes) * math.log1p(-share)


def _at_most(successes: int, tried: int, share: float) -> float:
    return math.fsum(math.exp(_log_binomial(k, tried, share)) for k in range(successes + 1))


def upper_share(successes: int, tried: int, confidence: float = 0.95) -> float:
    """One-sided upper limit of a proportion (Clopper, Pearson 1934); 1 when nothing was tried."""
    if successes >= tried:
        return 1.0
    miss = 1 - confidence
    return rising_zero(lambda share: miss - _at_most(successes, tried, share), 0.0, 1.0)


def lower_share(successes: int, tried: int, confidence: float = 0.95) -> float:
    """One-sided lower limit of a proportion; 0 when nothing was tried."""
    return 1 - upper_share(tried - successes, tried, confidence) if tried else 0.0


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors (measured minus induced) of n tests: bias and sd, in the tests' unit."""

    n: int
    bias: float
    sd: float

    @classmethod
    def of(cls, errors: Sequence[float]) -> Errors:
        """From two errors or more."""
        return cls(len(errors), mean(errors), stdev(errors))

    @property
    def freedom(self) -> int:
        """Degrees of freedom."""
        return self.n - 1

    @property
    def t_bias(self) -> float:
        """√n·bias/sd; infinite when every error is the same."""
        if self.sd == 0:
            return math.copysign(math.inf, self.bias) if self.bias else 0.0
        return math.sqrt(self.n) * self.bias / self.sd

    @property
    def biased(self) -> bool:
        """Whether the bias differs from zero at 5 %, two-sided."""
        return abs(self.t_bias) > t_quantile(0.975, self.freedom)

    @property
    def counted_bias(self) -> float:
        """The bias where it is significant, else 0."""
        return self.bias if self.biased else 0.0

    @property
    def threshold(self) -> float:
        """C at which 5 % of tight racks are called leaking."""
        return t_quantile(0.95, self.freedom) * self.sd + self.counted_bias

    @property
    def smallest_leak(self) -> float:
        """Leak found with 95 % at that threshold (minimum detectable leak)."""
        return 2 * t_quantile(0.95, self.freedom) * self.sd
