"""Drop storms at the gates: fuel that runs, not a bench that was knocked."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque

STORM_S = 10.0
# What a knock shakes off falls some centimetres at every gate, in nearly the same time. Judgement.
_KNOCK_S = 0.03


class StormCounter:
    """Counts, per gate, the drops of the last seconds that no knock explains.

    A knock is several gates at once. Streams of four gates at eight drops a second each coincide by
    chance for three drops in four: what is left is still a storm.
    """

    def __init__(self) -> None:
        self.drops: list[deque[float]] = []

    def add(self, t_s: float, drops: tuple[tuple[float, ...], ...]) -> None:
        """Take the times (s) of the drops of each gate since the last call; forget what is old."""
        while len(self.drops) < len(drops):
            self.drops.append(deque())
        for gate, times in enumerate(drops):
            self.drops[gate].extend(times)
        for recent in self.drops:
            while recent and recent[0] <= t_s - STORM_S:
                recent.popleft()

    def of(self, gate: int, least: int) -> int:
        """Drops at a gate that came alone; 0 when there are not even `least` with the others."""
        if len(self.drops[gate]) < least:
            return 0
        others = sorted(t for g, times in enumerate(self.drops) if g != gate for t in times)
        return sum(not _near(t_s, others) for t_s in self.drops[gate])


def _near(t_s: float, others: list[float]) -> bool:
    at = bisect_left(others, t_s - _KNOCK_S)
    return at < len(others) and others[at] <= t_s + _KNOCK_S
