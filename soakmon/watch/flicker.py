"""Counts of a gate that are neither drops nor rare: sun through leaves, a loose lead.

Such counts come in stretches. In a minute of one there is any number of counts, at any times, and
none in every second minute; outside of them there are dark counts only.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.rows import Floats

# Stretches are told in steps of so long.
MINUTE_S = effort(60.0, "s")
# Chance that a stretch goes on for another minute: as clouds pass, and as leaves move.
STAYS = judgement((0.99, 0.8), "chance")
# Chance a minute that a stretch begins; chance of no count at all in a minute of one.
_BEGINS = judgement(0.001, "chance")
_NONE = judgement(0.5, "chance")


class Flicker:
    """Log-likelihood of counts that come in such stretches, from start_s on.

    stays: chance that a stretch goes on for another minute; dark_per_s: rate of the other counts.
    """

    def __init__(self, start_s: float, stays: float, dark_per_s: float) -> None:
        self.start_s = start_s
        self.dark_per_s = dark_per_s
        # From (quiet, flickering) in a minute to the same in the next.
        self.moves: Floats = np.array([[1 - _BEGINS, 1 - stays], [_BEGINS, stays]])
        none = np.array([math.exp(-dark_per_s * MINUTE_S), _NONE])
        self.empty: Floats = self.moves * none
        self.minute = 0
        self.count = 0
        # Chance of the minutes before this one, with the gate (quiet, flickering) in it: its
        # parts, and the log of their sum.
        self.parts: Floats = np.array([1 - _BEGINS, _BEGINS])
        self.log_sum = 0.0

    def add(self, t_s: float) -> None:
        """Take a count."""
        minute = self._minute_at(t_s)
        if minute > self.minute:
            self.parts, self.log_sum = self._up_to(minute)
            self.minute, self.count = minute, 0
        self.count += 1

    def until(self, t_s: float) -> float:
        """Log-likelihood of everything up to t_s."""
        return self._up_to(max(self._minute_at(t_s), self.minute) + 1)[1]

    def _minute_at(self, t_s: float) -> int:
        return int((t_s - self.start_s) // MINUTE_S)

    def _up_to(self, minute: int) -> tuple[Floats, float]:
        """`parts` and `log_sum` as a later minute begins."""
        parts = np.log(self.parts) + self._log_minute()
        top = float(parts.max())
        after = self.moves @ np.exp(parts - top)
        empty = minute - self.minute - 1
        after = np.linalg.matrix_power(self.empty, empty) @ after
        total = float(after.sum())
        return after / total, self.log_sum + top + math.log(total)

    def _log_minute(self) -> Floats:
        """(2,) log-density of this minute's counts while (quiet, flickering).

        Flickering: as likely to be between n and 2 n as between 2 n and 4 n, and at any times.
        """
        n = self.count
        quiet = -self.dark_per_s * MINUTE_S
        if n == 0:
            return np.array([quiet, math.log(_NONE)])
        number = math.log((1 - _NONE) / (n * (n + 1)))
        times = math.lgamma(n + 1) - n * math.log(MINUTE_S)
        return np.array([quiet + n * math.log(self.dark_per_s), number + times])
