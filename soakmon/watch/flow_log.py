"""The last minutes of the bottle's mass, and what flows out by them."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.averaging import STEP_S, Average

# How many minutes are looked back on; how many stay down; how many show a decline.
_HISTORY = effort(20, "minutes")
STAYS = judgement(2, "minutes")
_DIES_OVER = judgement(10, "minutes")
# The last of a fill dies away: while it does, the rack has not settled.
_STILL_DYING = judgement(0.97, "share")
_DYING_G_PER_MIN = judgement(0.03, "g/min")
_DYING = judgement(0.85, "share")


@dataclass(frozen=True, slots=True)
class Flow:
    """A mass in g at a time in s, the mean loss since the one before in g/min, and drops in it."""

    t_s: float
    mass_g: float
    g_per_min: float
    drops: float


class FlowLog:
    """Averaged readings, one a minute, and the losses between them."""

    def __init__(self) -> None:
        self.minutes: list[Flow] = []

    def __len__(self) -> int:
        """How many minutes are known."""
        return len(self.minutes)

    def add(self, average: Average) -> None:
        """Take the next reading."""
        rate = 0.0
        if self.minutes:
            before = self.minutes[-1]
            minutes = max(average.t_s - before.t_s, 1.0) / 60.0
            rate = (before.mass_g - average.mass_g) / minutes
        self.minutes.append(Flow(average.t_s, average.mass_g, rate, float(np.sum(average.drops))))
        del self.minutes[:-_HISTORY]

    @property
    def now_g_per_min(self) -> float:
        """What flowed in the last minute."""
        return self.minutes[-1].g_per_min

    @property
    def steady_g_per_min(self) -> float:
        """What flowed in each of the last minutes: one reading that is out makes no flow."""
        return min((minute.g_per_min for minute in self.minutes[-STAYS:]), default=0.0)

    def mean_g_per_min(self, minutes: int) -> float:
        """What flowed in the last so many minutes together."""
        return float(np.mean([minute.g_per_min for minute in self.minutes[-minutes:]]))

    def middle_g_per_min(self, losses: int, each: int = 1) -> float:
        """The middle one of so many losses, each over so many minutes; 0 while there are fewer.

        No hand or knock moves it.
        """
        if len(self.minutes) < losses + each:
            return 0.0
        recent = self.minutes[-losses - each :]
        return median(
            (before.mass_g - after.mass_g) / max(after.t_s - before.t_s, 1.0) * 60
            for before, after in zip(recent[:-each], recent[each:], strict=True)
        )

    @property
    def scatter_g_per_min(self) -> float:
        """How the minutes' losses scatter: robust sd."""
        rates = [minute.g_per_min for minute in self.minutes]
        middle = median(rates)
        return 1.4826 * median([abs(one - middle) for one in rates])

    def dropped(self, minutes: int) -> float:
        """Drops under all bowls in the last so many minutes."""
        return sum(minute.drops for minute in self.minutes[-minutes:])

    @property
    def down_to_g(self) -> float:
        """What the mass has stayed below: a reading alone may be a hand on the bottle."""
        return max(minute.mass_g for minute in self.minutes[-STAYS:])

    @property
    def lately_g(self) -> float:
        """The middle mass of the last minutes, NaN while there is none."""
        masses = [minute.mass_g for minute in self.minutes[-STAYS - 1 :]]
        return float(np.median(masses)) if masses else float("nan")

    def highest_g(self, minutes: int = _HISTORY) -> float:
        """The second highest of so many masses: a hand on the bottle for a minute fills nothing."""
        masses = sorted(minute.mass_g for minute in self.minutes[-minutes:])
        return masses[-2] if len(masses) > 2 else masses[-1]

    def last_above_s(self, mass_g: float) -> float:
        """When a minute began in which the mass was last above this, s; else when the log does."""
        above = [minute.t_s for minute in self.minutes if minute.mass_g > mass_g]
        return (above[-1] if above else self.minutes[0].t_s) - STEP_S

    def stands_for(self, minutes: int, within_g: float) -> bool:
        """Whether the mass has stood that near for so many minutes, after it stood elsewhere."""
        masses = [minute.mass_g for minute in self.minutes[-minutes:]]
        return len(self.minutes) > minutes and max(masses) - min(masses) < within_g

    @property
    def dies_away(self) -> bool:
        """Whether what flows still becomes less: the last of the fill, not a leak."""
        if len(self.minutes) < _DIES_OVER:
            return False
        quarter = len(self.minutes) // 4
        first, second, third, last = (
            float(np.mean([minute.g_per_min for minute in self.minutes[at : at + quarter]]))
            for at in range(len(self.minutes) - 4 * quarter, len(self.minutes), quarter)
        )
        earlier, later = (first + second) / 2, (third + last) / 2
        less = later > _DYING_G_PER_MIN and later < _DYING * earlier
        # What goes on evenly after a fill is something else.
        return less and last < _STILL_DYING * third
