"""What past tight soaks of a bench say about the next one: how much it evaporates, how evenly.

The ratio of loss to expectation varies from bench to bench (vents, hose) and from night to night
(fuel batch, draught): y_i ~ N(m, t² + s_i²), m and t unknown, over a grid of both. Only soaks that
were found tight count, and one that had lost much more would not have been: each is a draw that
was cut off where its verdict would have changed (truncated normal distribution). Without that a
bench would teach itself that it never loses much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.described import WRONG_LOG_SD
from soakmon.texts import say
from soakmon.watch.normal import below
from soakmon.watch.rows import Floats

# Fewer teach nothing, and what is older than the last so many is another season's fuel (judgement).
LEAST = judgement(3, "soaks")
MOST = judgement(30, "soaks")
# What needles hold back and the cell's zero leave open in one night's loss, g.
READ_G = judgement(0.3, "g")
# How far one night of a bench is from the next (fuel batch, draught, doors), and how well that is
# known (judgement).
BY_NIGHT = judgement(0.12, "log. sd")
_BY_NIGHT_LOG_SD = judgement(0.6, "log. sd")
# No number of soaks narrows or widens the spread further than this.
_NARROWS = judgement((0.1, 2.0), "times")
# Departures of a bench, and spreads of its nights, that are weighed.
BENCHES: Floats = effort(np.linspace(-2.5, 2.5, 401), "log.")
_NIGHT: Floats = effort(np.geomspace(0.03, 0.5, 13), "log. sd")
# Logarithm of the normal distribution, to look up: a hall's soaks ask for it some million times.
_SDS: Floats = effort(np.linspace(-7.0, 7.0, 2801), "sd")
_LOG_BELOW: Floats = np.log(below(_SDS))


@dataclass(frozen=True, slots=True)
class PastSoak:
    """A past soak of the same bottle, hose and fuel.

    lost_g; feed_g, bowls_g: what the physics alone expected of bottle with hose, and of the bowls;
    spare_g: how much more it could have lost and still be tight (None: it was not, and no gate saw
    a leak, but it lost more than any expectation).
    """

    lost_g: float
    feed_g: float
    bowls_g: float
    spare_g: float | None


@dataclass(frozen=True, slots=True)
class Past:
    """What the past tells: how many soaks were tight, and what that does to the priors.

    scale: factor on all of the expected evaporation; narrows: factor on its relative spread;
    doubt: chance that it is wrong by a factor, over what that was before.
    """

    soaks: int = 0
    scale: float = 1.0
    narrows: float = 1.0
    doubt: float = 1.0

    @property
    def text(self) -> str:
        """In words; empty when there is nothing to say."""
        if not self.soaks:
            return ""
        change = round(100 * (self.scale - 1))
        key = "past.just" if change == 0 else "past.more" if change > 0 else "past.less"
        return say(key, soaks=self.soaks, change=abs(change))


def learnt(
    soaks: Sequence[PastSoak],
    scales: tuple[float, float],
    rel_sds: tuple[float, float],
    doubt: float,
) -> Past:
    """What soaks (the latest first) teach; nothing from fewer than three tight ones.

    scales, rel_sds: factor on the expected loss and its relative sd before them, of bottle with
    hose and of the bowls; doubt: chance that the expectation is wrong by a factor.
    """
    soaks = usable(soaks)
    tight = [soak for soak in soaks if soak.spare_g is not None]
    if len(tight) < LEAST:
        return Past()
    before = spread_before(tight, scales, rel_sds)
    mean, sd = _next_night(tight, scales, before, doubt)
    narrows = min(max(sd / before, _NARROWS[0]), _NARROWS[1])
    # Of as many nights so many were off by a factor (a beta prior worth one night).
    off = len(soaks) - len(tight)
    still = (doubt + off) / (1 + len(soaks)) / doubt
    return Past(len(tight), round(math.exp(mean), 4), round(narrows, 4), round(min(still, 1.0), 5))


def _next_night(
    tight: Sequence[PastSoak], scales: tuple[float, float], before: float, doubt: float
) -> tuple[float, float]:
    """Mean and sd of the next night's ratio of loss to expectation, on a logarithmic scale."""
    holds = (1 - doubt) / before * np.exp(-0.5 * (BENCHES / before) ** 2)
    holds += doubt / WRONG_LOG_SD * np.exp(-0.5 * (BENCHES / WRONG_LOG_SD) ** 2)
    chance = log_chance(tight, scales) + np.log(holds)[:, None]
    weight = np.exp(chance - chance.max())
    weight /= weight.sum()
    by_bench = weight.sum(axis=1)
    mean = float(by_bench @ BENCHES)
    variance = float(by_bench @ (BENCHES - mean) ** 2 + weight.sum(axis=0) @ _NIGHT**2)
    return mean, math.sqrt(variance)


def log_chance(tight: Sequence[PastSoak], scales: tuple[float, float]) -> Floats:
    """(M, T) log-chance of a bench's tight soaks by its departure (`BENCHES`) and its nights.

    Given that each was let through: see above. How far nights are apart is weighed in.
    """
    expected = np.array([scales[0] * soak.feed_g + scales[1] * soak.bowls_g for soak in tight])
    lost = np.array([soak.lost_g for soak in tight])
    most = np.array([soak.lost_g + (soak.spare_g or 0.0) for soak in tight])
    seen, cut = np.log(lost / expected), np.log(most / expected)
    sd = np.hypot(_NIGHT[:, None], READ_G / expected)
    z = (seen - BENCHES[:, None, None]) / sd
    room = (cut - BENCHES[:, None, None]) / sd
    chance = (-0.5 * z**2 - np.log(sd) - np.interp(room, _SDS, _LOG_BELOW)).sum(axis=2)
    return np.asarray(chance - 0.5 * (np.log(_NIGHT / BY_NIGHT) / _BY_NIGHT_LOG_SD) ** 2)


def spread_before(
    soaks: Sequence[PastSoak], scales: tuple[float, float], rel_sds: tuple[float, float]
) -> float:
    """Relative sd of all that evaporates, before any soak has told."""
    feed = scales[0] * sum(soak.feed_g for soak in soaks)
    bowls = scales[1] * sum(soak.bowls_g for soak in soaks)
    return math.hypot(feed * rel_sds[0], bowls * rel_sds[1]) / (feed + bowls)


def ratio_of(soaks: Sequence[PastSoak], scales: tuple[float, float]) -> float:
    """What soaks have lost over the expected, all together."""
    expected = sum(scales[0] * soak.feed_g + scales[1] * soak.bowls_g for soak in soaks)
    return sum(soak.lost_g for soak in soaks) / max(expected, 1e-9)


def usable(soaks: Sequence[PastSoak]) -> list[PastSoak]:
    """Those of the latest (they come first) that can tell anything."""
    return [soak for soak in soaks[:MOST] if soak.lost_g > 0 and soak.feed_g + soak.bowls_g > 0]
