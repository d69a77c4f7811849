"""A straight line through readings: slope with its standard error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.watch.rows import Floats


@dataclass(frozen=True, slots=True)
class Trend:
    """Least-squares line: value at x = 0, slope and the slope's standard error."""

    intercept: float
    slope: float
    slope_se: float

    def crosses(self, level: float) -> float:
        """Where the line meets a level; infinite when it never does."""
        return (level - self.intercept) / self.slope if self.slope else float("inf")


def trend(x: Floats, y: Floats) -> Trend:
    """Fit a line to y (n,) over x (n,), n ≥ 3; pairs with a NaN are left out.

    Centred first, so that times far from zero cost no digits. Raises ValueError for fewer than
    three good pairs or when all x are the same.
    """
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    n = len(x)
    if n < 3 or np.ptp(x) == 0:
        raise ValueError("a trend needs three points or more at different places")
    middle_x, middle_y = float(x.mean()), float(y.mean())
    across = x - middle_x
    spread = float(across @ across)
    slope = float(across @ (y - middle_y)) / spread
    residual = y - middle_y - slope * across
    variance = float(residual @ residual) / (n - 2)
    return Trend(
        middle_y - slope * middle_x,
        slope,
        float(np.sqrt(variance / spread)),
    )
