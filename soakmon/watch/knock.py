"""Knocks: counts on several gates at once are a bang on the bench, not drops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.rows import Floats, Rows

# In rows no longer than this, what counts together is a bang.
_AT_ONCE_S = judgement(1.5, "s")
# In longer rows several gates that drip count together as a matter of course.
_LONGEST_S = judgement(60.0, "s")


def without_knocks(rows: Rows, spacing_s: Floats) -> tuple[Rows, Floats]:
    """Rows with knocks taken out of their drop counts, and the times (s) of the knocks.

    spacing_s: (n,) time since the previous row. In rows up to 1.5 s apart, one or two counts on
    two or more gates are a knock; in rows of up to a minute only a single one on three or more.
    """
    if rows.gates < 2 or not (rows.drops > 0).any():
        return rows, np.zeros(0)
    counts = np.nan_to_num(rows.drops)
    hit = (counts > 0).sum(axis=1)
    small = counts.max(axis=1, initial=0.0) <= 2
    at_once = (hit >= 2) & (spacing_s <= _AT_ONCE_S)
    several = (hit >= 3) & (counts.max(axis=1, initial=0.0) == 1) & (spacing_s <= _LONGEST_S)
    knock = small & (at_once | several)
    if not knock.any():
        return rows, np.zeros(0)
    drops = rows.drops.copy()
    drops[knock] = 0.0
    return replace(rows, drops=drops), rows.t_s[knock]
