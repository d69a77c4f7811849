"""From raw edges of the drop gates to drops: a pure merge, no debounce in the pins.

A falling drop blocks a beam for a few milliseconds and rings on the way; some backends swallow
short pulses when asked to debounce and others the edge after. So every raw edge is taken with its
time stamp, and merged here.
"""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.bench.ports import Edge

DEAD_TIME_S = 0.03
SHORTEST_S = 0.0002
LONGEST_S = 1.0


@dataclass(slots=True)
class _Gate:
    blocked_since_s: float | None = None
    last_drop_s: float = float("-inf")
    last_edge_s: float = float("-inf")


class DropMerger:
    """Merges edges into drops, per gate.

    dead_time_s: edges within it after a drop belong to the same drop; shortest_s: shorter blinks
    are electrical; longest_s: a beam blocked longer is no drop but something in the way.
    """

    def __init__(
        self,
        gates: int,
        dead_time_s: float = DEAD_TIME_S,
        shortest_s: float = SHORTEST_S,
        longest_s: float = LONGEST_S,
    ) -> None:
        self.gates = [_Gate() for _ in range(gates)]
        self.dead_time_s = dead_time_s
        self.shortest_s = shortest_s
        self.longest_s = longest_s

    def push(self, edges: list[Edge]) -> list[Edge]:
        """Drops completed by these edges, as the edge at which each began to block its beam."""
        drops = []
        for edge in edges:
            gate = self.gates[edge.gate]
            if edge.blocked:
                if gate.blocked_since_s is None:
                    gate.blocked_since_s = edge.t_s
            elif gate.blocked_since_s is not None:
                began_s, gate.blocked_since_s = gate.blocked_since_s, None
                lasted_s = edge.t_s - began_s
                if self._counts(gate, began_s, lasted_s):
                    gate.last_drop_s = began_s
                    drops.append(Edge(edge.gate, began_s, blocked=True))
            gate.last_edge_s = edge.t_s
        return drops

    def _counts(self, gate: _Gate, began_s: float, lasted_s: float) -> bool:
        if began_s - gate.last_edge_s < self.dead_time_s and (
            began_s - gate.last_drop_s < self.dead_time_s
        ):
            return False
        return self.shortest_s <= lasted_s <= self.longest_s
