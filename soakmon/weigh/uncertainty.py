"""Values with standard uncertainty, combined as the GUM says (JCGM 100:2008).

Type A comes from repeated weighings (standard deviation of the mean), type B from what is known
otherwise: a resolution or a limit taken as uniform (half width over the root of 3). Independent
parts are added as the root of the sum of squares, their degrees of freedom by Welch and
Satterthwaite (GUM G.4.1). Coverage is that of k = 2 for a normal value, 95.45 %: with few readings
k is Student's (GUM G.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import fmean

from soakmon.texts import say
from soakmon.weigh.student import t_quantile

# P{T ≤ k} at which k = 2 for many degrees of freedom.
_COVERED = 0.5 * (1.0 + math.erf(2.0 / math.sqrt(2.0)))
_MANY = 200
# How far one weighing is from the next of the same thing, as a standard deviation, and of how many
# weighings that is taken to be known. Workshop scales; judgement.
REPEATABILITY_G = 0.03
# The same of the bench's own cell, whose readings are means of ten seconds: root mean square over
# cells with 0.01 to 0.13 g of noise in a second, as they are recorded.
CELL_REPEATABILITY_G = 0.018
_REPEATABILITY_DF = 8


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, in the unit of its name; df: degrees of freedom."""

    value: float
    u: float
    df: float = math.inf

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, 95.45 %."""
        return coverage(self.df) * self.u

    def as_dict(self) -> dict[str, float | None]:
        """The form in which results are kept; df: None for many."""
        df = self.df if math.isfinite(self.df) else None
        return {"value": self.value, "u": self.u, "df": df, "expanded": self.expanded}


def coverage(df: float, of: int = 1) -> float:
    """Coverage factor for 95.45 %; parts of a degree of freedom are left out (GUM G.4.1).

    of: so many values of which the worst is looked at; that is how often all of them are covered
    (Bonferroni's inequality).
    """
    if df >= _MANY and of == 1:
        return 2.0
    return _quantile(max(int(min(df, _MANY)), 1), of)


@cache
def _quantile(df: int, of: int) -> float:
    return t_quantile(1.0 - (1.0 - _COVERED) / of, df)


def effective_df(u: float, parts: Sequence[Measured]) -> float:
    """Degrees of freedom of a combined uncertainty u, of parts that are already scaled to it."""
    weights = math.fsum(part.u**4 / part.df for part in parts)
    return u**4 / weights if weights > 0 else math.inf


def rss(*parts: float) -> float:
    """Root of the sum of squares of independent standard uncertainties (GUM 5.1.2)."""
    return math.hypot(*parts)


def uniform(half_width: float) -> float:
    """Type B: standard uncertainty of a value known to lie within ±half_width (GUM 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def mean_of(values: Sequence[float], least_u: float = 0.0, *, repeat: float) -> Measured:
    """Type A: mean of repeated values, u = s/√n; least_u is added as type B.

    repeat: the repeatability that is known beforehand (a standard deviation, in the unit of the
    values). It is pooled with the scatter of these (GUM 4.2.4), so that a single value has an
    uncertainty as well, and two that happen to agree are not certain.
    """
    if not values:
        raise ValueError(say("uncertainty.no_values"))
    mean = fmean(values)
    sd, df = scatter([value - mean for value in values], len(values) - 1, repeat)
    return widened(Measured(mean, sd / math.sqrt(len(values)), df), least_u)


def change(
    before: Sequence[float], after: Sequence[float], least_u: float = 0.0, *, repeat: float
) -> Measured:
    """Mean after less mean before of one scale; least_u, repeat: of each mean, as in `mean_of`.

    What is known of the repeatability is known once: both scatters are pooled with it, and its
    degrees of freedom count once. As independent means they would count twice.
    """
    if not before or not after:
        raise ValueError(say("uncertainty.no_values"))
    means = fmean(before), fmean(after)
    off = [value - means[0] for value in before] + [value - means[1] for value in after]
    sd, df = scatter(off, len(off) - 2, repeat)
    u = sd * math.sqrt(1.0 / len(before) + 1.0 / len(after))
    return widened(Measured(means[1] - means[0], u, df), least_u, least_u)


def scatter(off: Sequence[float], df: int, repeat: float) -> tuple[float, float]:
    """Standard deviation and its degrees of freedom, of residuals pooled with what is known."""
    both = _REPEATABILITY_DF + df
    squares = _REPEATABILITY_DF * repeat**2 + math.fsum(error**2 for error in off)
    return math.sqrt(squares / both), both


def widened(value: Measured, *parts: float) -> Measured:
    """The same value with further independent standard uncertainties of type B."""
    u = rss(value.u, *parts)
    return Measured(value.value, u, effective_df(u, [value]))


def total(parts: Sequence[Measured]) -> Measured:
    """Sum of independent values."""
    u = rss(*(p.u for p in parts))
    return Measured(math.fsum(p.value for p in parts), u, effective_df(u, parts))


def difference(first: Measured, other: Measured) -> Measured:
    """One minus other, independent."""
    u = rss(first.u, other.u)
    return Measured(first.value - other.value, u, effective_df(u, (first, other)))


def ratio(numerator: Measured, other: Measured) -> Measured:
    """One over other, independent (GUM 5.1.6: relative uncertainties). other must not be 0."""
    value = numerator.value / other.value
    parts = (scaled(1.0 / other.value, numerator), scaled(value / other.value, other))
    u = rss(*(part.u for part in parts))
    return Measured(value, u, effective_df(u, parts))


def scaled(factor: float, value: Measured) -> Measured:
    """An exact factor times a value."""
    return Measured(factor * value.value, abs(factor) * value.u, value.df)
