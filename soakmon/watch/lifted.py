"""A bottle that is lifted weighs less than none: such readings are blind time, not a loss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.rows import Rows

# Below this a net mass is no zero drift of an empty bottle, which is up to 0.25 g/°C, but the tare
# of one that is gone: 25 g at least.
_NO_BOTTLE_G = judgement(-8.0, "g")


def without_lifted(rows: Rows) -> Rows:
    """Rows without the masses at which no bottle stood on the cell."""
    lifted = rows.mass_g < _NO_BOTTLE_G
    if not lifted.any():
        return rows
    return replace(rows, mass_g=np.where(lifted, np.nan, rows.mass_g))
