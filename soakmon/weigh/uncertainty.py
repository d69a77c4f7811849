"""Values with standard uncertainty, combined as the GUM says (JCGM 100:2008).

Type A comes from repeated weighings (standard deviation of the mean), type B from what is known
otherwise: a resolution or a limit taken as uniform (half width over the root of 3). Independent
parts are added as the root of the sum of squares. Coverage k = 2 is about 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, in the unit of its name."""

    value: float
    u: float

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, k = 2."""
        return COVERAGE * self.u

    def as_dict(self) -> dict[str, float]:
        """The form in which results are kept."""
        return {"value": self.value, "u": self.u, "expanded_k2": self.expanded}


def rss(*parts: float) -> float:
    """Root of the sum of squares of independent standard uncertainties (GUM 5.1.2)."""
    return math.hypot(*parts)


def uniform(half_width: float) -> float:
    """Type B: standard uncertainty of a value known to lie within ±half_width (GUM 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def mean_of(values: Sequence[float], least_u: float = 0.0) -> Measured:
    """Type A: mean of repeated values, u = s/√n (GUM 4.2.3); least_u is added as type B.

    A single value has no scatter of its own: its uncertainty is least_u alone.
    """
    if not values:
        raise ValueError("no values to average")
    scatter = stdev(values) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    return Measured(fmean(values), rss(scatter, least_u))


def total(parts: Sequence[Measured]) -> Measured:
    """Sum of independent values."""
    return Measured(math.fsum(p.value for p in parts), rss(*(p.u for p in parts)))


def difference(one: Measured, other: Measured) -> Measured:
    """One minus other, independent."""
    return Measured(one.value - other.value, rss(one.u, other.u))


def ratio(one: Measured, other: Measured) -> Measured:
    """One over other, independent (GUM 5.1.6: relative uncertainties). other must not be 0."""
    value = one.value / other.value
    return Measured(value, rss(one.u / other.value, value * other.u / other.value))


def scaled(factor: float, one: Measured) -> Measured:
    """An exact factor times a value."""
    return Measured(factor * one.value, abs(factor) * one.u)
