"""Counts what the gates saw, and when, for the verdict and the ranking of causes."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.averaging import Average
from soakmon.watch.rows import Floats, Rows

# So many times are kept of a gate, each of older drops with two.
_KEEP = effort(4000, "counts")
# Counts are steady or not over parts of so long; fewer in one say nothing.
_PART_S = judgement(10800.0, "s")
_FEW = judgement(3.0, "counts")
# No part counts for more than so many times the middle one (judgement).
_MOST_OF_MIDDLE = judgement(1.5, "times")
# A satellite comes so soon after its drop, where drops are further apart than that.
_FOLLOWS_S = judgement(1.5, "s")
_SLOW_S = judgement(5.0, "s")


class Tally:
    """Drops per gate with their times, knocks, missing values and hours with the feed shut."""

    def __init__(self, gates: int) -> None:
        self.gates = gates
        self.total: list[int] = [0] * gates
        self.first_s: list[float] = [float("nan")] * gates
        self.times: list[list[float]] = [[] for _ in range(gates)]
        self.counts: list[list[int]] = [[] for _ in range(gates)]
        # The last row with a count, and whether that was one alone.
        self.last_s: list[float] = [float("-inf")] * gates
        self.lone: list[bool] = [False] * gates
        # The shortest row with a count: longer ones come after a gap.
        self.row_s = float("inf")
        self.rows_hit: list[int] = [0] * gates
        self.rows_seen = 0
        self.blank: list[int] = [0] * gates
        self.knocks_s: list[float] = []
        self.shut_h = 0.0
        # The last time the feed was shut after it had been open: from, until.
        self.shut_s = self.shut_until_s = float("nan")
        self.was_open = False
        self.no_air_s = 0.0
        self.temperature_lost_s = float("nan")
        self.shut_loss_g = 0.0
        self.last_shut_g = float("nan")
        self.last_mass_g = float("nan")

    def restart(self, t_s: float) -> None:
        """Forget the drops before t_s (the quiet before the fill); the feed record stays."""
        for gate in range(self.gates):
            later = [i for i, t in enumerate(self.times[gate]) if t > t_s - 60.0]
            self.times[gate] = [self.times[gate][i] for i in later]
            self.counts[gate] = [self.counts[gate][i] for i in later]
            self.total[gate] = sum(self.counts[gate])
        self.shut_h = self.shut_loss_g = 0.0
        self.shut_s = self.shut_until_s = float("nan")

    def add(self, gate: int, t_s: float, count: int, spacing_s: float) -> None:
        """Drops counted at a gate in the row of spacing_s that ends at t_s."""
        count = self._without_satellite(gate, t_s, count, spacing_s)
        if not count:
            return
        if spacing_s > 0:
            self.row_s = min(self.row_s, spacing_s)
        self.total[gate] += count
        self.rows_hit[gate] += 1
        self.times[gate].append(t_s)
        self.counts[gate].append(count)
        if len(self.times[gate]) >= _KEEP:
            # Of older drops every second time will do, as long as all are counted.
            half = _KEEP // 2
            times, counts = self.times[gate], self.counts[gate]
            pairs = zip(counts[:half:2], counts[1:half:2], strict=True)
            self.times[gate] = times[1:half:2] + times[half:]
            self.counts[gate] = [a + b for a, b in pairs] + counts[half:]

    def _without_satellite(self, gate: int, t_s: float, count: int, spacing_s: float) -> int:
        """The counts without the small drop that a lip throws after a slow one.

        It weighs next to nothing. In rows that are longer nobody can tell it from a drop.
        """
        quiet_s = t_s - self.last_s[gate]
        follows = self.lone[gate] and quiet_s <= _FOLLOWS_S
        self.last_s[gate] = t_s
        self.lone[gate] = quiet_s > _SLOW_S and count == 1
        if spacing_s > _FOLLOWS_S:
            return count
        return count - int(follows or (quiet_s > _SLOW_S and count == 2))

    def add_missing(self, rows: Rows) -> None:
        """Note rows in which a gate said nothing at all."""
        self.rows_seen += len(rows)
        for gate, blank in enumerate(np.isnan(rows.drops).sum(axis=0)):
            self.blank[gate] += int(blank)

    def add_knocks(self, times_s: Floats) -> None:
        """Knocks taken out of the counts."""
        self.knocks_s.extend(float(t) for t in times_s)

    def step(self, average: Average, seconds: float) -> None:
        """Hours with the feed shut, loss meanwhile, time without a temperature."""
        if math.isfinite(average.mass_g):
            self.last_mass_g = average.mass_g
        self.shut_h += (1 - average.feed_open) * seconds / 3600.0
        if average.feed_open < 1 and self.was_open:
            self.shut_s = average.t_s - (1 - average.feed_open) * seconds
            self.was_open = False
        else:
            self.was_open = average.feed_open > 0
        if average.feed_open < 1:
            self.shut_until_s = average.t_s
        if average.feed_open == 0 and math.isfinite(average.mass_g):
            if math.isfinite(self.last_shut_g):
                self.shut_loss_g += self.last_shut_g - average.mass_g
            self.last_shut_g = average.mass_g
        else:
            self.last_shut_g = float("nan")
        if not math.isfinite(average.air_c):
            self.no_air_s += seconds
            if not math.isfinite(self.temperature_lost_s):
                self.temperature_lost_s = average.t_s

    def recent(self, since_s: float) -> list[tuple[float, int, int]]:
        """(t_s, gate, count) of drops since a time, oldest first."""
        drops = [
            (t_s, gate, count)
            for gate in range(self.gates)
            for t_s, count in zip(self.times[gate], self.counts[gate], strict=True)
            if t_s >= since_s
        ]
        return sorted(drops)

    def steady(self, gate: int, until_s: float) -> float:
        """Drops at a gate up to a time, less what hours with bursts of counts have beyond others.

        Of three hours no more than half as many again as in the middle ones; where most have next
        to none, as in those in which the middle count fell.
        """
        times, counts = np.array(self.times[gate]), np.array(self.counts[gate])
        fed = times <= until_s
        if not fed.any():
            return 0.0
        part = ((times[fed] - times[0]) // _PART_S).astype(int)
        counted = np.sort(np.bincount(part, weights=counts[fed]))
        middle = float(np.median(counted))
        if middle < _FEW:
            middle = counted[np.searchsorted(np.cumsum(counted), counted.sum() / 2)]
        return float(np.minimum(counted, _MOST_OF_MIDDLE * middle).sum())

    def since(self, gate: int, t_s: float) -> int:
        """Drops at a gate after t_s."""
        kept_count = sum(
            c for t, c in zip(self.times[gate], self.counts[gate], strict=True) if t > t_s
        )
        return kept_count + self.total[gate] - sum(self.counts[gate])

    def until(self, gate: int, t_s: float) -> int:
        """Drops at a gate up to t_s."""
        return self.total[gate] - self.since(gate, t_s)

    def between(self, gate: int, from_s: float, until_s: float) -> int:
        """Drops at a gate after from_s and up to until_s."""
        return self.since(gate, from_s) - self.since(gate, until_s)
