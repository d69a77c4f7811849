"""The least spread that any straight-line estimate could have on nights as they are simulated.

`bound` is the bound of the mass filter's own model: its creep, its needles, its evaporation. Here
nothing of a model is left: many tight nights of one kind are read, their residuals over the
expectation are taken as they come, with the covariance that they turn out to have, and the best
linear test for a leak from the start is made for it (generalised least squares; of Gaussian
residuals it is the Neyman-Pearson test, Kay, Detection Theory, ch. 4, from memory). A decider that
judges single nights without having seen hundreds of the same bench cannot be expected to reach it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from soakmon.watch.rows import Floats


@dataclass(frozen=True, slots=True)
class WorldBound:
    """sd: of the best linear estimate, in the leak's unit; sd_error: how well it is known."""

    sd: float
    sd_error: float

    def smallest(self, false_alarm: float = 0.01, detection: float = 0.95) -> float:
        """Smallest leak found with `detection` at a threshold that tight nights pass so seldom."""
        normal = NormalDist()
        return self.sd * (normal.inv_cdf(1 - false_alarm) + normal.inv_cdf(detection))


def world_bound(residuals: Floats, signature: Floats) -> WorldBound:
    """The bound from residuals (n, p) of n tight nights of one kind at p times.

    signature: (p,) what a unit of leak adds to them. Of n normal nights 1/(s'S⁻¹s) is χ² with
    n - p degrees of freedom times its true value over n - 1 (Muirhead, Multivariate Statistical
    Theory, 3.2.11, from memory). Raises ValueError for fewer than twice as many nights as times.
    """
    nights, times = residuals.shape
    if nights < 2 * times:
        raise ValueError(f"{nights} nights are too few for {times} times: take {2 * times}")
    covariance = np.cov(residuals.T).reshape(times, times)
    information = float(signature @ np.linalg.solve(covariance, signature))
    variance = (nights - 1) / (nights - times) / information
    sd = math.sqrt(variance)
    return WorldBound(sd, sd * math.sqrt(0.5 / (nights - times)))
