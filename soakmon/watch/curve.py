"""The curve of a soak: what was lost against what a tight rack loses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from soakmon.physics.belief import effort
from soakmon.watch.averaging import Average
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.rows import Floats
from soakmon.watch.settings import Settings
from soakmon.watch.spread import spread_of
from soakmon.watch.state import kept
from soakmon.watch.verdict import Band

# Time, loss, evaporated from bottle and hose, from the bowls, top-up, and what one bowl needs.
_COLUMNS = 6
# The loss at the end is the median of the last so many that have a mass, of so many minutes.
_LAST = effort(5, "minutes")
_OF = effort(30, "minutes")


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, slots=True)
class Curve:
    """(n,) arrays since the soak's clock started: t_s; loss and evaporation band in g.

    The band is what a tight rack takes from the bottle: evaporation, and the top-up of bowls whose
    fuel shrinks as the shop cools. Its best estimate is close to the sum of
    feed_g (bottle and hose), bowls_g and top_up_g.
    """

    t_s: Floats
    mass_loss_g: Floats
    best_g: Floats
    low_g: Floats
    high_g: Floats
    feed_g: Floats = field(default_factory=_none)
    bowls_g: Floats = field(default_factory=_none)
    top_up_g: Floats = field(default_factory=_none)


@kept
class CurveKeeper:
    """Collects one point per averaging step.

    top_up: share of the expected top-up that this rack shows, as far as known, and its sd.
    """

    def __init__(self, settings: Settings) -> None:
        self.spread = spread_of(settings)
        self.zero_g = float("nan")
        self.points: list[tuple[float, ...]] = []
        self.top_up = (0.0, 0.0)

    def restart(self) -> None:
        """Forget everything."""
        self.points.clear()
        self.zero_g = float("nan")

    def start(self, mass_g: float, t_s: float) -> None:
        """The soak's clock starts at this reading."""
        self.restart()
        self.zero_g = mass_g
        self.points.append((t_s, *[0.0] * (_COLUMNS - 1)))

    def add(self, average: Average, removed_g: float, evaporation: Evaporation) -> None:
        """Add a step; removed_g: bumps and refills so far, which are not fuel lost."""
        loss = self.zero_g + removed_g - average.mass_g
        parts = (evaporation.bottle_hose_g, evaporation.bowls_g, evaporation.top_up_g)
        self.points.append((average.t_s, loss, *parts, evaporation.bowl_needs_g))

    def curve(self) -> Curve:
        """The curve so far."""
        points = np.array(self.points).reshape(-1, _COLUMNS)
        best, low, high = self._band(points[:, 2], points[:, 3], points[:, 4])
        feed, bowls, top_up = points[:, 2], points[:, 3], self._share() * points[:, 4]
        return Curve(points[:, 0], points[:, 1], best, low, high, feed, bowls, top_up)

    def bowl_needs(self) -> tuple[Floats, Floats]:
        """(n,) s and g: what one bowl had lost to the air and to shrinking, along the soak."""
        points = np.array(self.points).reshape(-1, _COLUMNS)
        return points[:, 0], points[:, 5]

    def evaporated(self) -> Band:
        """Expected evaporation up to now, g, 95 %: without what bowls draw to make up for cold."""
        if not self.points:
            return Band(0.0, 0.0, 0.0)
        low, best, high = self.spread.band_g(*np.array(self.points[-1:])[:, 2:4].T)[:, 0].tolist()
        return Band(best, low, high)

    def expected(self) -> Band:
        """What a tight rack takes from the bottle up to now, g, 95 %."""
        if not self.points:
            return Band(0.0, 0.0, 0.0)
        last = np.array(self.points[-1:])
        best, low, high = (each[0] for each in self._band(*last[:, 2:5].T))
        return Band(float(best), float(low), float(high))

    def observed_g(self) -> float | None:
        """Loss at the end: the median of the last points that have a mass; None when none has."""
        good = [p[1] for p in self.points[-_OF:] if np.isfinite(p[1])]
        return float(np.median(good[-_LAST:])) if good else None

    def lost_since_g(self, t_s: float) -> float | None:
        """Loss from about t_s to the end, by medians of a few points; None without a mass."""
        after = [p[1] for p in self.points if p[0] >= t_s and np.isfinite(p[1])]
        last = self.observed_g()
        return None if last is None or not after else last - float(np.median(after[:5]))

    def _share(self) -> float:
        return min(max(self.top_up[0], 0.0), 1.0)

    def _band(
        self, feed_g: Floats, bowls_g: Floats, top_up_g: Floats
    ) -> tuple[Floats, Floats, Floats]:
        share, share_sd = self._share(), self.top_up[1]
        low, best, high = self.spread.band_g(feed_g, bowls_g)
        top_up, unsure = share * top_up_g, NORMAL_95 * share_sd * top_up_g
        # What is drawn for cold and what evaporates are unsure apart from each other.
        down, up = np.hypot(best - low, unsure), np.hypot(high - best, unsure)
        best = best + top_up
        return best, np.maximum(best - down, 0.0), best + up
