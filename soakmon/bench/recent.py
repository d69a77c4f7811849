"""What the bench saw of late, soak or none: for tests by hand that look back some minutes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import isfinite

import numpy as np
from pydantic import JsonValue

from soakmon.bench.edges import Drop
from soakmon.watch.rows import Rows
from soakmon.weigh.still import still

LENGTH_S = 1800
_MOST_DROPS = 2000


class Recent:
    """The last half hour of readings and drops, by the wall clock; kept by the worker alone.

    Deques are appended to and copied as wholes, so that others may look without a lock.
    """

    def __init__(self) -> None:
        self._masses: deque[tuple[float, float]] = deque(maxlen=LENGTH_S)
        self._drops: deque[tuple[float, Drop]] = deque(maxlen=_MOST_DROPS)

    def take(self, row: Rows, drops: Iterable[Drop], wall_s: float) -> None:
        """A second's row with its drops, at a wall time in s."""
        self._masses.append((wall_s, float(row.mass_g[-1])))
        self._drops.extend((wall_s + drop.t_s - float(row.t_s[-1]), drop) for drop in drops)

    def drops(self, since_wall_s: float) -> list[dict[str, float]]:
        """Drops since a wall time: gate (from 1), how long it was dark in ms, wall time."""
        return [
            {"gate": drop.gate + 1, "dark_ms": round(1e3 * drop.dark_s, 2), "wall_s": at_s}
            for at_s, drop in self._drops.copy()
            if at_s >= since_wall_s
        ]

    def masses(self, since_wall_s: float) -> list[tuple[float, float]]:
        """Wall time in s and mass in g of each reading since a wall time, oldest first."""
        return [
            reading
            for reading in self._masses.copy()
            if reading[0] >= since_wall_s and isfinite(reading[1])
        ]

    def still(self, since_wall_s: float) -> dict[str, JsonValue] | None:
        """What the cell at rest said since a wall time; None when it said too little."""
        seen = np.array([reading for reading in self._masses.copy() if reading[0] >= since_wall_s])
        rest = still(seen[:, 0] - seen[0, 0], seen[:, 1]) if len(seen) else None
        return None if rest is None else {k: getattr(rest, k) for k in rest.__slots__}
