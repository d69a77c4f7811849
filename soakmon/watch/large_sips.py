"""Sips larger than any that was expected: steps down that come again and again, each as large.

A needle that sticks lets its bowl sink by a millimetre or two before it opens, and then as much
flows in at once. One such step may be a hand; the third of a size, with none up between them, is a
needle, and what the first two took was fuel as well.
"""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.physics.belief import judgement

# So many steps of a size make a rhythm; the largest of them is at most so many of the least.
_STEPS = judgement(3, "steps")
_ALIKE = judgement(2.0, "times")
# A step up of this share of them is somebody at the bench, whose steps down tell nothing.
_UP = judgement(0.5, "share")
# No needle lets its bowl sink by more: 2 mm of the widest.
MOST_G = judgement(3.0, "g")
# Two needles may open in one minute: later sips are so many times the first ones at most.
_LATER = judgement(2.2, "times")


@dataclass(frozen=True, slots=True)
class Jump:
    """From when to when it was looked at, s, and how far the reading jumped, g."""

    since_s: float
    until_s: float
    size_g: float


class LargeSips:
    """Steps that nobody expected, looked at for a needle's."""

    def __init__(self) -> None:
        self.steps: list[Jump] = []

    def add(self, step: Jump) -> list[Jump]:
        """The next step; the last ones, with it, when they turn out to be a needle's, or none."""
        self.steps.append(step)
        last = [one for one in self.steps if 0 < -one.size_g <= MOST_G][-_STEPS:]
        if len(last) < _STEPS or step is not last[-1]:
            return []
        sizes_g = [-one.size_g for one in last]
        up_g = max(one.size_g for one in self.steps[self.steps.index(last[0]) :])
        alike = max(sizes_g) <= _ALIKE * min(sizes_g)
        if not alike or up_g > _UP * min(sizes_g):
            return []
        self.steps.clear()
        return last


def largest_g(steps: list[Jump]) -> float:
    """The largest sip, g, that a needle may take of which these are known."""
    return min(_LATER * max(-one.size_g for one in steps), MOST_G)
