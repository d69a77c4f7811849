"""What was taken out of the readings as no fuel, and what of it turned out to be fuel after all."""

from __future__ import annotations

import math
from dataclasses import dataclass

from soakmon.physics.belief import judgement
from soakmon.watch.large_sips import Jump, LargeSips
from soakmon.watch.rises import Rises

# What lies on the bottle for a while is at least so heavy, and off within so long. Then
# the bottle weighs what it did, but for so much, and such a share of that load.
_LOAD_G = judgement(10.0, "g")
_LIES_S = judgement(3 * 3600.0, "s")
_COMES_BACK_G = judgement(1.0, "g")
_COMES_BACK = judgement(0.003, "share")
# More at once is no needle's.
_MAY_BE_FUEL_G = judgement(5.0, "g")


@dataclass(frozen=True, slots=True)
class Amendment:
    """Readings from from_s on, before until_s, weigh so much more than was noted, g."""

    from_s: float
    until_s: float
    by_g: float


@dataclass(slots=True)
class Load:
    """Something on the bottle, or that lifts it: since when, s, and how heavy, g.

    before_g, removed_g: the reading before it, and what had been taken out by then.
    """

    since_s: float
    before_g: float
    removed_g: float
    size_g: float


class Steps:
    """removed_g: all of them together; amendments: what was noted otherwise than it turned out.

    down_g: steps down that somebody made, or a needle: nothing tells.
    """

    def __init__(self) -> None:
        self.removed_g = self.down_g = 0.0
        self.load: Load | None = None
        self.amendments: list[Amendment] = []
        self.large_sips = LargeSips()
        self.rises = Rises()

    def take_out(self, jump: Jump, *, from_g: float, to_g: float) -> None:
        """A step is no fuel lost; nor what lay on the bottle for a while, however it moved.

        from_g, to_g: the last reading that was as expected, and that after the step.
        """
        before_g = self.removed_g
        self._take_out(jump.since_s, jump.size_g, from_g, to_g)
        # While nobody knew what it was, its minutes were noted as they were read.
        self.amendments.append(Amendment(jump.since_s, jump.until_s, before_g - self.removed_g))

    def _take_out(self, t_s: float, step_g: float, from_g: float, to_g: float) -> None:
        load = self.load
        if load is not None and t_s - load.since_s > _LIES_S:
            load = None
        if load is not None:
            load.size_g = max(load.size_g, abs(step_g))
            if abs(to_g - load.before_g) < _COMES_BACK_G + _COMES_BACK * load.size_g:
                self.removed_g, self.load = load.removed_g, None
                return
        elif abs(step_g) > _LOAD_G:
            load = Load(t_s, from_g, self.removed_g, abs(step_g))
        self.load = load
        self.removed_g += step_g

    def needles(self, jump: Jump) -> list[Jump]:
        """The last steps with this one, where they are a needle's: none of them counts any more."""
        if self.load is not None:
            return []
        if 0 < -jump.size_g < _MAY_BE_FUEL_G:
            self.down_g -= jump.size_g
        sips = self.large_sips.add(jump)
        self.down_g += sum(sip.size_g for sip in sips)
        for earlier in sips[:-1]:
            self.removed_g -= earlier.size_g
            self.amendments.append(Amendment(earlier.until_s, math.inf, earlier.size_g))
        return sips

    def goes_back(self, t_s: float, fell_g: float) -> bool:
        """Whether a fall, which nobody has called a step, takes back a rise that was taken out."""
        back = fell_g > 0 and self.rises.gone_back(t_s, fell_g)
        if back:
            self.removed_g -= fell_g
        return back
