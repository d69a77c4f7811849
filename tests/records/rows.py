"""Rows, moments and a soak for the tests of the journal."""

from __future__ import annotations

import numpy as np

from soakmon.records.journal import Anchor, SoakEntry
from soakmon.watch.rows import Rows

ENTRY = SoakEntry(0, "invented rack", None, 1.8e9, 4, "{}", None, None)


def row(t_s: float, gates: int = 4) -> Rows:
    mass = np.array([300 - t_s * 1e-4])
    return Rows(np.array([t_s]), mass, np.array([20.5]), np.zeros((1, gates)), None, np.ones(1))


def anchor(t_s: float) -> Anchor:
    return Anchor("boot", t_s, t_s + 5, 1.8e9 + t_s, True)
