"""The curve of a soak as it is shown: where the load cell stood still, nothing was read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from soakmon.watch.curve import Curve
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Fault

# As the decider takes a cell for frozen, and what it takes for the same reading.
_STANDS_S = 900.0
_SAME_G = 1e-6
# A stretch without a reading is shown as one from so long on, or from three points on.
BLIND_S = 600.0


def readable(curve: Curve, faults: Sequence[Fault]) -> Curve:
    """Without what a frozen cell repeated: it looks like a rack that loses nothing.

    faults: those of the soak so far; where none says that the cell froze, nothing is taken out.
    """
    if all(fault.kind != "cell_frozen" for fault in faults):
        return curve
    loss_g = curve.mass_loss_g.copy()
    # Runs of equal readings: where one begins, and where the next does.
    with np.errstate(invalid="ignore"):
        begins = np.flatnonzero(~(np.abs(np.diff(loss_g, prepend=np.nan)) <= _SAME_G))
    for first, after in zip(begins, [*begins[1:], len(loss_g)], strict=True):
        if curve.t_s[after - 1] - curve.t_s[first] >= _STANDS_S:
            loss_g[first + 1 : after] = np.nan
    return replace(curve, mass_loss_g=loss_g)


def blind_stretches(t_s: Floats, values: Floats) -> list[tuple[float, float]]:
    """From when to when (s) no value was read for long; t_s, values: (n,)."""
    read_s = t_s[np.isfinite(values)]
    if not len(read_s):
        return []
    usual_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    edges = [*read_s.tolist(), float(t_s[-1])]
    return [
        (first, other)
        for first, other in pairwise(edges)
        if other - first > max(BLIND_S, 3 * usual_s)
    ]
