"""Workshop scales as they are supposed to be: 0.03 g, known as if from nine weighings."""

from __future__ import annotations

import numpy as np

from soakmon.weigh.uncertainty import REPEATABILITY_G

_KNOWN_DF = 8


def scatter_g(rng: np.random.Generator) -> float:
    """How far one weighing of a scale is from the next, one standard deviation, g.

    Scales of which nine weighings would show the supposed one: better and worse ones.
    """
    return REPEATABILITY_G * float(np.sqrt(_KNOWN_DF / rng.chisquare(_KNOWN_DF)))
