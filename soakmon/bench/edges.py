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
    began_s: float = float("-inf")  # when what is passing, or the last that passed, began
    settled_s: float = float("-inf")  # and when its last blink was over


class DropMerger:
    """Merges edges into drops, per gate.

    dead_time_s: what begins so soon after a block ended is its ringing, but nothing rings longer
    than longest_s: a stream counts on; shortest_s: shorter blinks are electrical; longest_s: a beam
    blocked longer is no drop but something in the way. A drop is told at once when its beam is free
    again: something that rings while it comes into the way, and stays, may so count once.
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
                # Blocked twice: an edge was lost between. The newer is the one whose end will come.
                gate.blocked_since_s = edge.t_s
            elif gate.blocked_since_s is not None:
                began_s, gate.blocked_since_s = gate.blocked_since_s, None
                if self._counts(gate, began_s, edge.t_s):
                    drops.append(Edge(edge.gate, began_s, blocked=True))
        return drops

    def _counts(self, gate: _Gate, began_s: float, ended_s: float) -> bool:
        """Whether a block is a drop of its own."""
        lasted_s = ended_s - began_s
        if lasted_s > self.longest_s:
            gate.began_s = gate.settled_s = ended_s
            return False
        if lasted_s < self.shortest_s:
            return False
        rings_on = began_s - gate.settled_s < self.dead_time_s
        gate.settled_s = ended_s
        if rings_on and ended_s - gate.began_s <= self.longest_s:
            return False
        gate.began_s = began_s
        return True
