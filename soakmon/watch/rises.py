"""What jumped up without a reason comes down again by itself: that step down is no needle's sip.

No fuel makes a bottle a little heavier. A platform that sticks does, a hose that is pushed, a
converter that flips between two readings; and each of them goes back.
"""

from __future__ import annotations

from soakmon.physics.belief import judgement

# It goes back within so long, by as much: between this share of it and so many times as much.
_WITHIN_S = judgement(3 * 3600.0, "s")
_LEAST = judgement(0.7, "share")
_MOST = judgement(1.5, "times")


class Rises:
    """Steps up that have not gone back yet: when, s, and how far, g."""

    def __init__(self) -> None:
        self.up: list[tuple[float, float]] = []

    def add(self, t_s: float, size_g: float) -> None:
        """A step up that was not poured in."""
        self.up.append((t_s, size_g))

    def may_fall_g(self, t_s: float) -> float:
        """How far the reading may fall by the largest of them going back, g; 0: none is up."""
        return max((_MOST * up_g for up_s, up_g in self.up if t_s - up_s <= _WITHIN_S), default=0.0)

    def gone_back(self, t_s: float, down_g: float) -> bool:
        """Whether a step down by so much takes one of them back, which then is over."""
        self.up = [(up_s, up_g) for up_s, up_g in self.up if t_s - up_s <= _WITHIN_S]
        for place in reversed(range(len(self.up))):
            if _LEAST * self.up[place][1] <= down_g <= _MOST * self.up[place][1]:
                del self.up[place]
                return True
        return False
