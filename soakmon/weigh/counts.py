"""What a count of drops tells: limits of its mean, and how improbable a count is.

Drops at random are Poisson. The limits are those of the mid-P test (Lancaster, Biometrika 36,
1949; from memory): what was counted itself has half of its probability on either side. Those of
the exact test (Garwood 1936) hold in 95 % at least, and of few drops in 98 or 99; mid-P ones hold
in 95 % over rates that make 3 to 60 drops, and at single such rates in 91.6 to 97.3: counts are
whole, so that limits come and go by the whole probability of a count. Twice the root of the count
holds in 80 to 96 %, and in 93 over all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from soakmon.weigh.student import rising_zero

# On either side of 95 %.
_TAIL = 0.025
# A term so small beside the sum has no digit in it; so many standard deviations off there is none.
_NEGLIGIBLE, _FAR_SD = 1e-18, 12.0


@dataclass(frozen=True, slots=True)
class Rate:
    """Drops per hour out of a count: value, standard uncertainty u, and 95 % limits low and high.

    For drops at random. Those that fall in time are known better, but no single count tells that
    they do.
    """

    value: float
    u: float
    low: float
    high: float


def rate(drops: float, minutes: float) -> Rate:
    """Drops counted in some minutes, as drops per hour; none have the uncertainty of one."""
    per_h = 60.0 / minutes
    low, high = mean_limits(round(drops))
    return Rate(per_h * drops, per_h * math.sqrt(max(drops, 1.0)), per_h * low, per_h * high)


@lru_cache(maxsize=1024)
def mean_limits(count: int) -> tuple[float, float]:
    """95 % limits of the mean of a Poisson number of which one was seen."""

    def above(mean: float) -> float:
        return 1.0 - fewer(count, mean) - 0.5 * exactly(count, mean)

    most = count + 8.0 * math.sqrt(count + 1.0) + 8.0
    high = rising_zero(lambda mean: above(mean) - (1.0 - _TAIL), 0.0, most)
    return rising_zero(lambda mean: above(mean) - _TAIL, 0.0, most) if count else 0.0, high


def exactly(count: int, mean: float) -> float:
    """The probability of a Poisson number with that mean."""
    if mean <= 0:
        return 0.0 if count else 1.0
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1.0))


def fewer(count: int, mean: float) -> float:
    """The probability of fewer than so many, of a Poisson number with that mean."""
    if count < 1 or mean <= 0:
        return 1.0 if count >= 1 else 0.0
    k = min(count - 1, math.ceil(mean + _FAR_SD * math.sqrt(mean) + 4 * _FAR_SD))
    term, total = exactly(k, mean), 0.0
    while term > 0 and (k >= mean or term > _NEGLIGIBLE * total):
        total += term
        term *= k / mean
        k -= 1
    return min(total, 1.0)


def at_most_of(count: int, tries: int, chance: float) -> float:
    """The probability of so many or fewer, of tries that each come out with a chance, 0 to 1."""
    if count >= tries or chance <= 0:
        return 1.0
    if chance >= 1:
        return 0.0
    odds = math.log(chance / (1.0 - chance))
    of_all = math.lgamma(tries + 1.0) + tries * math.log1p(-chance)
    logs = (
        of_all - math.lgamma(k + 1.0) - math.lgamma(tries - k + 1.0) + k * odds
        for k in range(count + 1)
    )
    return min(math.fsum(map(math.exp, logs)), 1.0)
