"""Steps and spikes of the averaged reading: which are fuel, and which are somebody at the bench.

A reading far from what the filter predicts is held until it is clear what it was: a spike (the
next ones returned), a flow (they go on falling: taken as they are), or a step: far up is a refill,
down a little is a float needle's sip, anything else a bump.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from soakmon.physics.belief import effort, judgement, measured
from soakmon.watch.rows import Floats

# From here a reading is held until it is clear what it was; from there it is odd.
FAR_SIGMA = judgement(5.0, "sd")
SURPRISING_SIGMA = judgement(2.5, "sd")
# A disconnected bridge was seen to stay within 0.13 g for weeks.
DRIFTS_G = measured(0.2, "g")
# So many readings tell; a stretch that is still unclear after so many is let go.
HELD = judgement(3, "minutes")
LONGEST = judgement(8, "minutes")
# Nothing but a refill makes a bottle so much heavier.
REFILL_G = judgement(15.0, "g")
# A step has been made when two readings agree to so much of it.
_SETTLED = judgement(0.02, "share")
# Growth of the variance from one minute to two that chance makes of white noise alone.
_NO_WALK = judgement(1.25, "times")
_WALK_FROM = judgement(30, "minutes")
# Readings that differ by less are the same but for rounding.
SAME_G = effort(1e-6, "g")
# What falls goes on falling by this share of what it is off, or so many sd of noise (judgement).
_GOES_ON = judgement(0.1, "share")
_GOES_ON_SD = judgement(3, "sd")
# It had begun, by such a share of what it has come to, when the last two minutes began (judgement).
_BEGUN = judgement(0.05, "share")
# A flow keeps its pace from one minute to the next to so many times; what somebody lifts does not.
_EVENLY = judgement(8.0, "times")
# A cell is frozen that stands still so long, if it does so less often than that, or in any case so
# long (judgement).
_STANDS = judgement(15, "minutes")
_USUAL = judgement(0.2, "share")
_STANDS_ANYHOW = judgement(180, "minutes")
# White noise is no less than this, nor than this share of the cell's digit (judgement).
_LEAST_NOISE_G = judgement(0.003, "g")
_OF_DIGIT = judgement(0.3, "share")


class DisturbanceKind(StrEnum):
    """What three far readings in a row turned out to be."""

    FLOW = "flow"
    SIP = "sip"
    BUMP = "bump"
    REFILL = "refill"
    # Nothing at the bench: the prediction was off.
    OWN = "own"


def still_falling(residual_g: Floats, noise_g: float) -> bool:
    """Whether the last two held readings (n,) went on falling, evenly, by more than their noise."""
    return _fell_evenly(residual_g, max(_GOES_ON * abs(residual_g[0]), _GOES_ON_SD * noise_g))


def _fell_evenly(residual_g: Floats, least_g: float) -> bool:
    """Whether each of the last two held readings (n,) fell by more than least_g, and both alike."""
    fall_g = -np.diff(residual_g[-3:])
    return bool(np.all(fall_g > least_g) and fall_g.max() < _EVENLY * fall_g.min())


def judge(residual_g: Floats, noise_g: float, sip_g: float) -> tuple[DisturbanceKind, float] | None:
    """Kind and size (g) of a disturbance from held residuals (n,), n ≥ HELD; None: wait on.

    residual_g: reading minus prediction, oldest first; noise_g: white noise of one of them. Needles
    sip for a minute or two, several at once when the shop cools: what falls longer, or further
    than sip_g, is a flow.
    """
    step = float(np.median(residual_g[-2:]))
    if step < 0 and still_falling(residual_g, noise_g):
        if abs(residual_g[-3]) < _BEGUN * abs(residual_g[-1]) and len(residual_g) < LONGEST:
            return None  # What falls at once falls in two minutes, where it begins in one of them.
        if -step > sip_g or len(residual_g) >= LONGEST:
            return DisturbanceKind.FLOW, step
        return None
    if -sip_g <= step < 0:
        return DisturbanceKind.SIP, step
    if step > REFILL_G and _fell_evenly(residual_g, _GOES_ON_SD * noise_g):
        # Poured in while more flows out: as much as it was at first.
        return DisturbanceKind.REFILL, float(residual_g.max())
    apart = abs(float(residual_g[-1] - residual_g[-2]))
    if apart > max(FAR_SIGMA * noise_g, _SETTLED * abs(step)) and len(residual_g) < LONGEST:
        return None  # Somebody is still at it.
    if step > REFILL_G:
        return DisturbanceKind.REFILL, step
    return DisturbanceKind.BUMP, step


@dataclass(slots=True)
class FreezeWatch:
    """Notices a reading that no longer moves: a dead bridge, a hung converter.

    A coarse cell also repeats itself, so a run of equal minutes counts only where the reading used
    to move, or when it lasts for hours.
    """

    last_g: float = float("nan")
    run: int = 0
    seen: int = 0
    same: int = 0
    reported: bool = False

    def add(self, mass_g: float, frozen: bool) -> bool:
        """True when this minute belongs to a frozen stretch."""
        # Means of equal readings differ in their last bits when their number differs.
        equal = abs(mass_g - self.last_g) <= SAME_G
        self.last_g = mass_g
        if not equal:
            # Only a run that has ended tells what this cell usually does.
            self.same += self.run
            self.run, self.reported = 0, False
        elif frozen or self.run:
            self.run += 1
        self.seen += 1
        usual = self.same >= _USUAL * max(self.seen - self.run, 1)
        return (self.run >= _STANDS and not usual) or self.run >= _STANDS_ANYHOW


class RunningMedian:
    """Median of the last `keep` values, kept in order: to sort them each time is slow."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self.values: list[float] = []
        self.ordered: list[float] = []

    def add(self, value: float) -> None:
        """Take the next value; the oldest goes."""
        self.values.append(value)
        insort(self.ordered, value)
        if len(self.values) > self.keep:
            del self.ordered[bisect_left(self.ordered, self.values.pop(0))]

    @property
    def median(self) -> float:
        """The median, of at least one value."""
        count = len(self.ordered)
        return (self.ordered[(count - 1) // 2] + self.ordered[count // 2]) / 2


class NoiseGauge:
    """White noise of one averaged reading, from differences of neighbours (robust, running).

    A cell that wanders also differs from minute to minute, but then twice as much (in variance)
    over two minutes, where white noise differs no more: what walks must not be taken for white, or
    the filter would trust a wandering cell.
    """

    KEEP = 240

    def __init__(self) -> None:
        self.differences = RunningMedian(self.KEEP)
        self.over_two = RunningMedian(self.KEEP)
        self.last_g = float("nan")
        self.before_g = float("nan")
        self.quantum_g = float("inf")

    def add(self, mass_g: float) -> None:
        """Take the next averaged reading (g)."""
        step, two = abs(mass_g - self.last_g), abs(mass_g - self.before_g)
        self.before_g, self.last_g = self.last_g, mass_g
        if math.isfinite(step):
            self.differences.add(step)
            if step > 1e-9:
                self.quantum_g = min(self.quantum_g, step)
        if math.isfinite(two):
            self.over_two.add(two)

    def sd_g(self, within_g: float) -> float:
        """Noise sd in g; within_g: standard error seen inside the step, NaN if not known."""
        inside = within_g if math.isfinite(within_g) else 0.0
        middle = self.differences.median
        known = math.isfinite(self.quantum_g)
        coarse = self.quantum_g if known and middle in {0.0, self.quantum_g} else 0.0
        between = middle / 0.6745 / math.sqrt(2) * math.sqrt(self._white_share(middle))
        return float(max(between, inside, _OF_DIGIT * coarse, _LEAST_NOISE_G))

    def _white_share(self, middle_g: float) -> float:
        """Share of the differences' variance that is white: 1 unless a walk shows, at least 0."""
        if len(self.over_two.values) < _WALK_FROM or middle_g == 0:
            return 1.0
        grows = (self.over_two.median / middle_g) ** 2
        return min(max((2.0 - grows) / (2.0 - _NO_WALK), 0.0), 1.0)
