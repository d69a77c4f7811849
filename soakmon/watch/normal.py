"""The normal distribution."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort
from soakmon.watch.rows import Floats

# Half the width, in sd, of the middle 95 %.
NORMAL_95 = 1.959964


def below(z: Floats) -> Floats:
    """Distribution function of the standard normal distribution at each z, in the shape of z."""
    chance: Floats = np.array(
        [0.5 * math.erfc(-value / math.sqrt(2)) for value in z.ravel().tolist()]
    )
    return chance.reshape(z.shape)


# So far out nothing is left; between the places lie straight lines.
_SDS: Floats = effort(np.linspace(-9.0, 9.0, 18 * 256 + 1), "sd")
_BELOW: Floats = below(_SDS)


def nearly_below(z: Floats) -> Floats:
    """The same to 1e-6, of many at once: to look for a quantile."""
    return np.interp(z, _SDS, _BELOW)
