"""Student's t, for what few readings tell."""

from __future__ import annotations

import math
from collections.abc import Callable


def t_upper(t: float, freedom: int) -> float:
    """P{T > t} of Student's T with whole degrees of freedom ≥ 1.

    Finite series of Abramowitz and Stegun 26.7.3 and 26.7.4; exact but for rounding.
    """
    theta = math.atan(t / math.sqrt(freedom))
    cosine2 = math.cos(theta) ** 2
    odd = freedom % 2 == 1
    term = math.cos(theta) if odd else 1.0
    series = 0.0
    for k in range(freedom // 2):
        series += term
        term *= cosine2 * ((2 * k + 2) / (2 * k + 3) if odd else (2 * k + 1) / (2 * k + 2))
    within = math.sin(theta) * series
    if odd:
        within = 2 / math.pi * (theta + within)
    return 0.5 * (1 - within)


def t_quantile(probability: float, freedom: int) -> float:
    """t with P{T ≤ t} = probability, 1e-6 to 1 - 1e-6."""
    return rising_zero(lambda t: 1 - t_upper(t, freedom) - probability, -1e7, 1e7)


def rising_zero(rising: Callable[[float], float], low: float, high: float) -> float:
    """Zero of a rising function by halving, to the last bits."""
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
