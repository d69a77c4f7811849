"""The curve of a soak: what was lost against what a tight rack loses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from soakmon.physics.belief import effort
from soakmon.watch.averaging import Average
from soakmon.watch.cell_states import CREEPS_G, CREEPS_PER_G
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.reading import CellPrior
from soakmon.watch.rows import Floats
from soakmon.watch.settings import Settings
from soakmon.watch.spread import spread_of
from soakmon.watch.steps import Amendment
from soakmon.watch.verdict import Band

# Time, loss, evaporated from bottle and hose, from the bowls, top-up, what one bowl needs; air now
# and lagged by 20, 60 and 180 minutes; steps taken out so far.
_COLUMNS = 11
_AIR = slice(_COLUMNS - 5, _COLUMNS - 1)
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
    feed_g (bottle and hose), bowls_g and top_up_g. Between reads_low_g and reads_high_g are 95 % of
    the readings of a tight rack: further off by what bowls are short of, drift and noise. air_c:
    NaN where none was known.
    """

    t_s: Floats
    mass_loss_g: Floats
    best_g: Floats
    low_g: Floats
    high_g: Floats
    feed_g: Floats = field(default_factory=_none)
    bowls_g: Floats = field(default_factory=_none)
    top_up_g: Floats = field(default_factory=_none)
    reads_low_g: Floats = field(default_factory=_none)
    reads_high_g: Floats = field(default_factory=_none)
    air_c: Floats = field(default_factory=_none)


class CurveKeeper:
    """Collects one point per averaging step.

    top_up: share of the expected top-up that this rack shows, as far as known, and its sd.
    """

    def __init__(self, settings: Settings) -> None:
        self.spread = spread_of(settings)
        self.bowls = max(len(settings.geometry.bowls), 1)
        self.cell: CellPrior | None = None
        self.zero_g = float("nan")
        self.points: list[tuple[float, ...]] = []
        self.top_up = (0.0, 0.0)

    def restart(self) -> None:
        """Forget everything."""
        self.points.clear()
        self.zero_g = float("nan")

    def start(self, mass_g: float, t_s: float, cell: CellPrior, evaporation: Evaporation) -> None:
        """The soak's clock starts at this reading of a cell that is so believed."""
        self.restart()
        self.zero_g, self.cell = mass_g, cell
        air_c = [evaporation.air_c] * (_AIR.stop - _AIR.start)
        self.points.append((t_s, *[0.0] * (_AIR.start - 1), *air_c, 0.0))

    def rezero(self, off_g: float) -> None:
        """The reading that the clock started at was off_g out."""
        self.zero_g -= off_g
        first, *later = self.points
        self.points[:] = [first, *((t_s, loss - off_g, *more) for t_s, loss, *more in later)]

    def amend(self, amendment: Amendment) -> None:
        """What was taken out, or not, has turned out to be something else."""
        self.points[:] = [
            (t_s, loss - amendment.by_g, *more, removed_g - amendment.by_g)
            if amendment.from_s <= t_s < amendment.until_s
            else (t_s, loss, *more, removed_g)
            for t_s, loss, *more, removed_g in self.points
        ]

    def add(self, average: Average, removed_g: float, evaporation: Evaporation) -> None:
        """Add a step; removed_g: bumps and refills so far, which are not fuel lost."""
        loss = self.zero_g + removed_g - average.mass_g
        parts = (evaporation.bottle_hose_g, evaporation.bowls_g, evaporation.top_up_g)
        air_c = (
            evaporation.air_c, evaporation.air_20_c, evaporation.air_60_c, evaporation.air_180_c,
        )  # fmt: skip
        self.points.append((average.t_s, loss, *parts, evaporation.bowl_needs_g, *air_c, removed_g))

    def curve(self) -> Curve:
        """The curve so far."""
        points = np.array(self.points).reshape(-1, _COLUMNS)
        best, low, high = self._band(points[:, 2], points[:, 3], points[:, 4])
        feed, bowls, top_up = points[:, 2], points[:, 3], self.share * points[:, 4]
        reads = self._reads(points, best, low, high)
        band = (points[:, 0], points[:, 1], best, low, high)
        return Curve(*band, feed, bowls, top_up, *reads, points[:, _AIR.start])

    def _reads(
        self, points: Floats, best: Floats, low: Floats, high: Floats
    ) -> tuple[Floats, Floats]:
        """(n,) between which 95 % of the readings of a tight rack are, g."""
        if self.cell is None or not len(points):
            return low, high
        hours = (points[:, 0] - points[0, 0]) / 3600
        warmer_c = np.nan_to_num(points[:, _AIR] - points[0, _AIR.start])
        steps = np.abs(np.diff(points[:, -1], prepend=0.0))
        off_g2 = np.cumsum(np.where(steps > 0, (CREEPS_G + CREEPS_PER_G * steps) ** 2, 0.0))
        off_g2 += 2 * _noise_g(points[:, 1]) ** 2
        under, over = self.cell.strays(hours, warmer_c, off_g2, self.bowls * points[:, 5])
        middle = (under + over) / 2
        # What evaporates and what the cell shows are unsure apart from each other.
        reads_low = best + middle - np.hypot(best - low, middle - under)
        return reads_low, best + middle + np.hypot(high - best, over - middle)

    def bowl_needs(self) -> tuple[Floats, Floats]:
        """(n,) s and g: what one bowl had lost to the air and to shrinking, along the soak."""
        points = np.array(self.points).reshape(-1, _COLUMNS)
        return points[:, 0], points[:, 5]

    @property
    def weighed(self) -> list[tuple[float, ...]]:
        """The points up to the last that has a mass; all where none has.

        What was lost is known up to then, and held against what evaporates up to then: a cell that
        falls silent, or a bottle that runs dry, takes nothing back of what was known before.
        """
        good = (k for k in range(len(self.points), 0, -1) if np.isfinite(self.points[k - 1][1]))
        return self.points[: next(good, len(self.points))]

    @property
    def weighed_s(self) -> float:
        """When that was; infinity before there is a point."""
        return self.weighed[-1][0] if self.points else np.inf

    def evaporated(self) -> Band:
        """Expected evaporation, g, 95 %: without what bowls draw to make up for cold."""
        if not self.points:
            return Band(0.0, 0.0, 0.0)
        last = np.array(self.weighed[-1:])
        low, best, high = self.spread.band_g(*last[:, 2:4].T)[:, 0].tolist()
        return Band(best, low, high)

    def expected(self) -> Band:
        """What a tight rack takes from the bottle, g, 95 %."""
        if not self.points:
            return Band(0.0, 0.0, 0.0)
        last = np.array(self.weighed[-1:])
        best, low, high = (each[0] for each in self._band(*last[:, 2:5].T))
        return Band(float(best), float(low), float(high))

    def observed_g(self) -> float | None:
        """Loss when last weighed: the median of the last points with a mass; None: none has."""
        good = [p[1] for p in self.weighed[-_OF:] if np.isfinite(p[1])]
        return float(np.median(good[-_LAST:])) if good else None

    def since(self, t_s: float) -> tuple[float, float, float, float] | None:
        """What went from about t_s until last weighed, g; None where no point since has a mass.

        Read from the bottle, by medians of a few points; and expected of bottle with hose, of the
        bowls, and of their top-up.
        """
        later = [point for point in self.weighed if point[0] >= t_s]
        read = [point[1] for point in later if np.isfinite(point[1])]
        last = self.observed_g()
        if last is None or not read:
            return None
        feed_g, bowls_g, top_up_g = (later[-1][part] - later[0][part] for part in (2, 3, 4))
        return last - float(np.median(read[:5])), feed_g, bowls_g, top_up_g

    @property
    def share(self) -> float:
        """Share of the expected top-up that this rack shows: none, all, or between."""
        return min(max(self.top_up[0], 0.0), 1.0)

    def _band(
        self, feed_g: Floats, bowls_g: Floats, top_up_g: Floats
    ) -> tuple[Floats, Floats, Floats]:
        share, share_sd = self.share, self.top_up[1]
        low, best, high = self.spread.band_g(feed_g, bowls_g)
        top_up, unsure = share * top_up_g, NORMAL_95 * share_sd * top_up_g
        # What is drawn for cold and what evaporates are unsure apart from each other.
        down, up = np.hypot(best - low, unsure), np.hypot(high - best, unsure)
        best = best + top_up
        return best, np.maximum(best - down, 0.0), best + up


def _noise_g(loss_g: Floats) -> float:
    """White noise of one reading by how neighbours differ, g; 0 where there are hardly any."""
    differences = np.abs(np.diff(loss_g[np.isfinite(loss_g)]))
    # The median of a normal distribution's size is 0.6745 of its sd; a difference has twice the
    # variance of a reading.
    return float(np.median(differences)) / 0.6745 / 2**0.5 if len(differences) > 3 else 0.0
