"""The array type the physics speaks: plain numpy float arrays; scalars are welcome everywhere."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
FloatsIn = float | Floats

KELVIN = 273.15
GAS_J_PER_MOL_K = 8.314462618
ATMOSPHERE_KPA = 101.325


def floats(value: FloatsIn) -> Floats:
    """Return the value as a float64 array (0-d for a scalar)."""
    return np.asarray(value, dtype=np.float64)
