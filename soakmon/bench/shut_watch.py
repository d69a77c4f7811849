"""Whether a shut valve is shut: only the bottle can say so.

A seep goes on and on; a bottle that is exchanged, lifted or touched steps. So a loss counts when
it is spread over the whole of a stretch: between the medians of its quarters, every difference at
least half its share. And it must be more than the bench makes by itself: the hose settles, the cell
creeps by 0.02 % of its load in half an hour (trade sheets of bars for 50-60 kg,
community.hiveeyes.org 418; with a time constant of 18 min after NIST, PubMed 27805151), a warm shop
evaporates 0.5 g/h (judgement), and a zero that shifts by 0.24 g per °C (118 ppm/K of a 2 kg cell,
after github hmd83/tanen) makes some 3 g/h of a shop that cools.

Told within, from the beginning of the flow and with a reading every second or oftener: 30 g/min
50 s, 3 g/min 60 s, 30 g/h 3 min, 10 g/h 22 min, 6 g/h 45 min; slower ones look like weather. With
readings two minutes apart, 30 g/min takes ten minutes.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from statistics import median_low

from soakmon.bench.levels import Level, Levels

# After shutting, the hose may still settle; then nothing may flow any more.
STOPS_WITHIN_S = 30.0
_LONGEST_S = 600.0
_SPACING_S = 10.0
_MAY_LOSE_G = 0.8
_MAY_LOSE_G_PER_H = 4.0
# A gross flow is told from three levels: nobody handles a bottle so evenly for so much.
_GROSS_G = 10.0
_LENGTHS = tuple(4 * 2**k for k in range(7))


class ShutWatch:
    """Watches a bottle whose feed is shut since shut_s."""

    def __init__(self, shut_s: float) -> None:
        self.from_s = shut_s + STOPS_WITHIN_S
        self.readings = Levels(_LONGEST_S)
        self.levels: deque[Level] = deque(maxlen=_LENGTHS[-1])

    def loss_g_per_h(self, t_s: float, mass_g: float) -> float | None:
        """The rate at which the bottle loses what a shut valve would keep; None: it does not."""
        level = self.readings.add(t_s, mass_g)
        if level is None or level.t_s < self.from_s:
            return None
        if self.levels and level.t_s < self.levels[-1].t_s + _SPACING_S:
            return None
        self.levels.append(level)
        levels = list(self.levels)
        losses = [_steady_loss(levels[-3:], 3, _GROSS_G)]
        losses += [_steady_loss(levels[-n:], 4, _MAY_LOSE_G) for n in _LENGTHS if n <= len(levels)]
        return next((rate for rate in losses if rate is not None), None)


def _steady_loss(levels: list[Level], parts: int, may_lose_g: float) -> float | None:
    """Loss rate in g/h of levels that fall from part to part by more than may_lose_g in all."""
    size = len(levels) // parts
    if size == 0:
        return None
    pieces = [levels[k * size : (k + 1) * size] for k in range(parts)]
    masses = [median_low(level.mass_g for level in piece) for piece in pieces]
    lost_g = masses[0] - masses[-1]
    hours = (pieces[-1][0].t_s - pieces[0][0].t_s) / 3600
    share = lost_g / (2 * (parts - 1))
    steady = all(a - b >= share for a, b in pairwise(masses))
    enough = lost_g > may_lose_g + _MAY_LOSE_G_PER_H * hours
    return lost_g / hours if steady and enough else None
