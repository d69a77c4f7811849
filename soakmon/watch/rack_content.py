"""How much fuel a rack holds, as described and as its fill shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import judgement

# A rack may be described too small by so much, measured ones by less; a fill that takes more is
# running out somewhere.
_MOST_OF_EXPECTED = judgement(2.5, "times")
_MOST_OF_MEASURED = judgement(1.5, "times")
_MOST_OVER_G = judgement(10.0, "g")
# Said to be full already, a rack takes no more than it is described to hold.
_MOST_IF_FULL = judgement(1.3, "times")
# A rack whose bowls nobody has measured may hold so many times what is described.
_LARGER = judgement(1.6, "times")
# Of one that somebody has measured, bowl by bowl (judgement).
_MEASURED = judgement(1.06, "times")
# What is missing of it is off by what all of it is: twice as much at worst.
_OFF = judgement(1.15, "times")
# A bottle that ran dry into a measured rack has run out somewhere from so many times on.
_DRAINED = judgement(1.25, "times")
# A fill is told from the described rack when it differs by more than this share of it.
_DIFFERS = judgement(0.35, "share")
# A rack that took more or less than described holds as much more or less, between these.
_LEAST_SCALE = judgement(0.3, "times")
_MOST_SCALE = judgement(3.0, "times")
# Bowls are missing from a fill from so much less than a whole one on (judgement).
_NEARLY_A_BOWL = judgement(0.35, "share")


@dataclass(frozen=True, slots=True)
class RackContent:
    """Bowls and hose as described, g; measured: somebody has measured the bowls.

    taken_g, of its methods: what a fill has taken so far.
    """

    described_g: float
    measured: bool

    def may_take_g(self, taken_g: float) -> float:
        """What it may still take: more than described, also where somebody has measured it."""
        larger = _MEASURED if self.measured else _LARGER
        return max(larger * self.described_g - taken_g, 0.0)

    def missing_g(self, taken_g: float) -> float:
        """What it may still take if it is as described."""
        return max(self.described_g - taken_g, 0.0)

    def missing_with_error_g(self, taken_g: float) -> float:
        """The same of one that is described as well as somebody can measure it."""
        return max(_OFF * self.described_g - taken_g, 0.0)

    def most_g(self, *, full: bool, again: bool, trickles: bool) -> float:
        """A fill takes no more: less where the rack is full, or where the fill had ended once.

        A trickle that nobody watches is not waited for as long as a fill that somebody does.
        """
        largest = _MOST_OF_MEASURED if self.measured else _MOST_OF_EXPECTED
        first = min(_LARGER, largest) if trickles else largest
        goes_on = 1.0 if self.measured else _LARGER
        most = _MOST_IF_FULL if full else goes_on if again else first
        return most * self.described_g + _MOST_OVER_G

    def over_g(self, taken_g: float) -> float:
        """What a fill that only the empty bottle ended has taken beyond what a rack holds."""
        return max(taken_g - self.holds_g - _MOST_OVER_G, 0.0)

    @property
    def holds_g(self) -> float:
        """What a rack that is so described may well hold: pipes, and bowls filled a little more."""
        return (_DRAINED if self.measured else _LARGER) * self.described_g

    def bowls_short(self, taken_g: float, bowl_g: float) -> int:
        """How many bowls' worth of fuel is missing."""
        return max(0, int(np.floor((self.described_g - taken_g) / bowl_g + _NEARLY_A_BOWL)))

    def scale(self, taken_g: float) -> float:
        """Fuel that it took over that of the described one."""
        return min(max(taken_g / self.described_g, _LEAST_SCALE), _MOST_SCALE)

    def differs(self, taken_g: float) -> bool:
        """Whether the fill was not that of the described rack."""
        return abs(taken_g / self.described_g - 1.0) > _DIFFERS
