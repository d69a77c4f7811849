"""A bottle that is lifted: its readings are blind time, and nothing else changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.watch.lifted import without_lifted
from tests.watch.nights import night


def test_masses_of_no_bottle_are_blind_time_and_zero_drift_is_none():
    rows = night(3, hours=1)
    mass_g = rows.mass_g.copy()
    mass_g[10:13] = (-250.0, -8.01, -8.0)
    lifted = replace(rows, mass_g=mass_g)
    found = without_lifted(lifted)
    assert np.flatnonzero(np.isnan(found.mass_g)).tolist() == [10, 11]
    assert found.mass_g[12] == -8.0
    assert np.array_equal(found.drops, rows.drops)
    assert lifted.mass_g[10] == -250.0  # what was read is left as it is


def test_where_nothing_was_lifted_the_rows_are_the_same():
    rows = night(3, hours=1)
    assert without_lifted(rows) is rows
