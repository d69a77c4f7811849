"""From raw edges of the drop gates to drops: a pure merge, no debounce in the pins.

A falling drop blocks a beam for a few milliseconds and rings on the way; some backends swallow
short pulses when asked to debounce and others the edge after. So every raw edge is taken with its
time stamp, and merged here. How long the beam was dark is kept with the drop: a drop of 3 mm that
has fallen 5 to 100 mm is before it for 2 to 14 ms, a satellite of 0.6 mm for less than 1 ms
(computed), what a switched load induces for microseconds, an insect or the sun for seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.bench.ports import Edge

# A satellite falls 20 to 60 ms behind its drop (computed from how fast it is thrown up first).
DEAD_TIME_S = 0.06
SHORTEST_S = 0.0002
LONGEST_S = 1.0
_MAIN = 2.0


@dataclass(frozen=True, slots=True)
class Drop:
    """A drop at a gate (from 0): when it began to block the beam, s, and how long it was dark, s.

    dark_s: all its blinks together, without the light between them.
    """

    gate: int
    t_s: float
    dark_s: float


@dataclass(slots=True)
class _Passing:
    """What is before a beam, or was until ended_s; counts: whether it is a drop.

    rings_from_s: end of its main block, of all its blinks: what it rings, it rings after that.
    """

    began_s: float
    ended_s: float
    dark_s: float
    main_s: float
    rings_from_s: float
    counts: bool = True


@dataclass(slots=True)
class _Gate:
    blocked_since_s: float | None = None
    passing: _Passing | None = None


class DropMerger:
    """Merges edges into drops, per gate.

    dead_time_s: what begins so soon after a drop's main block ended is its ringing. Later it is
    another, however many came between: of a stream one counts in every dead time, not one in all
    of it. shortest_s: shorter blinks are electrical; longest_s: a beam
    blocked longer is no drop but something in the way. A drop is told once its beam has been free
    for the dead time: only then is it known how long it was dark.
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

    def push(self, edges: list[Edge], now_s: float) -> list[Drop]:
        """Drops that are over by now_s, in order of their beginning; edges since the last call."""
        drops: list[Drop] = []
        for edge in edges:
            gate = self.gates[edge.gate]
            if edge.blocked:
                # Blocked twice: an edge was lost between. The newer is the one whose end will come.
                gate.blocked_since_s = edge.t_s
                drops += self._settled(edge.gate, edge.t_s)
            elif gate.blocked_since_s is not None:
                began_s, gate.blocked_since_s = gate.blocked_since_s, None
                drops += self._blinked(edge.gate, began_s, edge.t_s)
        for index, gate in enumerate(self.gates):
            if gate.blocked_since_s is None:
                drops += self._settled(index, now_s)
        return sorted(drops, key=lambda drop: drop.t_s)

    def _blinked(self, index: int, began_s: float, ended_s: float) -> list[Drop]:
        """Take a block of a beam; the drop before it, where it is not its ringing."""
        lasted_s, gate = ended_s - began_s, self.gates[index]
        if lasted_s < self.shortest_s:
            return []
        passing = gate.passing
        rings = passing is not None and began_s - passing.rings_from_s < self.dead_time_s
        if lasted_s > self.longest_s:
            # What rang as it came into the way, and stayed, is no drop either.
            before = [] if rings else self._over(index)
            gate.passing = _Passing(ended_s, ended_s, 0.0, lasted_s, ended_s, counts=False)
            return before
        if passing is not None and rings and ended_s - passing.began_s <= self.longest_s:
            passing.ended_s, passing.dark_s = ended_s, passing.dark_s + lasted_s
            # What rings as it comes is short beside the drop itself; drops of a stream are alike.
            if lasted_s > _MAIN * passing.main_s:
                passing.main_s, passing.rings_from_s = lasted_s, ended_s
            return []
        before = self._over(index)
        gate.passing = _Passing(began_s, ended_s, lasted_s, lasted_s, ended_s)
        return before

    def _settled(self, index: int, now_s: float) -> list[Drop]:
        """What was passing a beam, where the beam has been free for the dead time by now_s."""
        passing = self.gates[index].passing
        if passing is None or now_s - passing.ended_s < self.dead_time_s:
            return []
        return self._over(index)

    def _over(self, index: int) -> list[Drop]:
        """The drop that was passing, if it was one: it is over."""
        gate = self.gates[index]
        passing, gate.passing = gate.passing, None
        if passing is None or not passing.counts:
            return []
        return [Drop(index, passing.began_s, passing.dark_s)]
