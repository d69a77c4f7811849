"""Waiting before the next try: full jitter under a ceiling that doubles up to a cap.

Full jitter spreads the tries of many benches after a broker's restart evenly over the ceiling.
Time never comes from the wall clock, which may jump.
"""

from __future__ import annotations

import random
from collections.abc import Callable

Random = Callable[[], float]


class Backoff:
    """Waits between tries, s. `uniform` gives numbers from 0 to 1 (injected in tests)."""

    def __init__(
        self, first_s: float = 1.0, cap_s: float = 60.0, uniform: Random = random.random
    ) -> None:
        if not 0 < first_s <= cap_s:
            raise ValueError("0 < first_s <= cap_s")
        self.first_s, self.cap_s = first_s, cap_s
        self.uniform = uniform
        self.tries = 0

    @property
    def ceiling_s(self) -> float:
        """The most that the next wait can take: never less than the one before, never over cap."""
        return float(min(self.cap_s, self.first_s * 2.0 ** min(self.tries, 40)))

    def next_s(self) -> float:
        """The next wait: anything from 0 to the ceiling, which then doubles."""
        wait_s = self.uniform() * self.ceiling_s
        self.tries += 1
        return wait_s

    def reset(self) -> None:
        """A try has succeeded."""
        self.tries = 0
