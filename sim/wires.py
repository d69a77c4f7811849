"""The gates' wires: what darkens the beams, as edges in order."""

from __future__ import annotations

import math

from sim.blips import Blips
from soakmon.bench.ports import Edge


class Wires:
    """Turns blips into edges; what overlaps at a gate is one block, which may end after now."""

    def __init__(self, gates: int) -> None:
        self.began_s = [math.nan] * gates
        self.dark_until_s = [-math.inf] * gates

    def edges(self, blips: Blips, now_s: float) -> list[Edge]:
        """Edges up to now, with the blips of the time since the last call."""
        edges: list[Edge] = []
        order = zip(blips.t_s.tolist(), blips.gate.tolist(), blips.ms.tolist(), strict=True)
        for t_s, gate, ms in order:
            edges += self._block(int(gate), t_s, t_s + 1e-3 * ms)
        for gate in range(len(self.began_s)):
            edges += self._freed(gate, now_s)
        return sorted(edges, key=lambda edge: edge.t_s)

    def _block(self, gate: int, from_s: float, to_s: float) -> list[Edge]:
        freed = self._freed(gate, from_s)
        if math.isfinite(self.began_s[gate]):
            self.dark_until_s[gate] = max(self.dark_until_s[gate], to_s)
            return freed
        self.began_s[gate], self.dark_until_s[gate] = from_s, to_s
        return [*freed, Edge(gate, from_s, blocked=True)]

    def _freed(self, gate: int, until_s: float) -> list[Edge]:
        """The end of a block that is over by then."""
        if not math.isfinite(self.began_s[gate]) or self.dark_until_s[gate] > until_s:
            return []
        self.began_s[gate] = math.nan
        return [Edge(gate, self.dark_until_s[gate], blocked=False)]
