"""A flood that no gate sees: the mass falls steadily by more than needles could sip."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.rack_fill import GOES_ON_G_PER_MIN
from soakmon.watch.rows import Rows
from soakmon.watch.sequential import Cusum

# Medians of so many seconds are compared.
BLOCK_S = effort(10.0, "s")
# One fall counts for no more than this; the noise is of so many falls, and holds for so many.
_CLIP = judgement(4.0, "sd")
_NOISE_FROM = effort(20, "medians")
_NOISE_LASTS = effort(6, "medians")
_LEAST_NOISE_G = judgement(0.01, "g")
# A gust pushes the bottle about for a minute; a flood goes on.
_CONFIRM_S = judgement(60.0, "s")
_GOES_ON = judgement(0.3, "share")
# Bubbles that leave the hose, and needles that come loose, draw this much within minutes. A fall
# slower than that has to take more, and to go on for so many minutes, each by its share.
_SLOW_G_PER_H = judgement(220.0, "g/h")
_DRAWN_G = judgement(3.2, "g")
_SLOW_MINUTES = judgement(2, "minutes")
# A hand trembles, by grams from one reading to the next; fuel that runs out does not. It lets go
# within minutes.
_TREMBLES_G = judgement(1.0, "g")
_TREMBLES = judgement(10.0, "times")
_HAND_S = judgement(300.0, "s")
_READINGS = effort(60, "readings")
_BENDS_FROM = effort(4, "readings")
# Half the fall to be found, and the decision interval, in sd of the falls (Page 1954).
_REFERENCE_SD = judgement(1.0, "sd")
_LIMIT_SD = judgement(10.0, "sd")
# So many medians are kept, and their scatter is of so many; a gap of so many begins anew.
_HISTORY = effort(120, "medians")
_CALM = effort(90, "medians")
_GAP = effort(6, "medians")
_RECENT = effort(0.3, "share")
# What lay on the bottle may be taken off: a fall counts from what most of the last hour was above.
_HOUR_S = judgement(3600.0, "s")
_MOST = judgement(0.9, "share")
_EVERY_S = effort(60.0, "s")


@dataclass(frozen=True, slots=True)
class Fall:
    """A steady fall of the mass that began at began_s and was certain at t_s."""

    t_s: float
    began_s: float
    rate_g_per_h: float


@dataclass(frozen=True, slots=True)
class Pending:
    """A fall that looks certain: it has a minute to go on, a slow one some.

    from_s, median_g: when the minute began, and the median then; minutes: in which it went on;
    lost_g: in all until the minute began.
    """

    fall: Fall
    from_s: float
    median_g: float
    lost_g: float
    minutes: int = 0
    trembles: bool = False

    @property
    def slow(self) -> bool:
        """Whether what falls may be drawn into the rack."""
        return self.fall.rate_g_per_h < _SLOW_G_PER_H

    def gone_on(self, t_s: float, median_g: float) -> Pending | None:
        """The same a minute later; None where too little has gone in it."""
        lost_g = self.median_g - median_g
        if lost_g <= _GOES_ON * self.fall.rate_g_per_h * (t_s - self.from_s) / 3600:
            return None
        return replace(
            self,
            from_s=t_s, median_g=median_g, lost_g=self.lost_g + lost_g, minutes=self.minutes + 1,
        )  # fmt: skip

    @property
    def certain(self) -> bool:
        """Whether it has gone on for as long, and taken as much, as no draw does."""
        if not self.slow:
            return self.minutes > 0
        return self.minutes >= _SLOW_MINUTES and self.lost_g > _DRAWN_G


class FallWatch:
    """CUSUM on the fall of ten-second medians, in their own noise.

    spare_g: what the float needles of the rack could take together, and what it may still take of
    its fill; a fall must exceed it, so that a step, a sip or a bowl that fills late is not taken
    for a flood. rush_g: the same of a fall as fast as a fill.
    """

    def __init__(self, spare_g: float) -> None:
        self.spare_g = self.rush_g = spare_g
        self.cusum = Cusum(reference=_REFERENCE_SD, limit=_LIMIT_SD)
        self.held_g: list[float] = []
        self.recent_g: deque[float] = deque(maxlen=_READINGS)
        self.last_s = math.nan
        self.medians: list[tuple[float, float]] = []
        self.falls: list[float] = []
        self.hour: list[tuple[float, float]] = []
        self.pending: Pending | None = None
        self.alarmed = False
        self.noise_g = math.nan
        self.noise_age = 0
        # How far medians are apart: as far as rows are, where these are longer.
        self.apart_s = BLOCK_S

    def restart(self) -> None:
        """Forget the past but the cell's noise: the rack was being filled, or nothing was read."""
        self.cusum.total, self.cusum.began = 0.0, 0
        self.held_g = []
        self.recent_g.clear()
        self.medians.clear()
        self.hour.clear()
        self.falls.clear()
        self.pending = None
        self.alarmed = False
        self.noise_age = 0

    def push(self, rows: Rows) -> Fall | None:
        """Take rows; a fall when it has become certain, once."""
        if self.alarmed or not len(rows):
            return None
        found = None
        for t_s, mass_g in zip(rows.t_s.tolist(), rows.mass_g.tolist(), strict=True):
            if t_s // BLOCK_S != self.last_s // BLOCK_S and self.held_g:
                found = found or self._block(self.last_s, median(self.held_g))
                self.held_g = []
            self.last_s = t_s
            if math.isfinite(mass_g):
                self.held_g.append(mass_g)
                self.recent_g.append(mass_g)
        return found

    def _block(self, t_s: float, median_g: float) -> Fall | None:
        if self.medians and self._gap(t_s - self.medians[-1][0]):
            self.restart()  # What happened in a gap is not a fall that was watched.
        self.medians.append((t_s, median_g))
        del self.medians[:-_HISTORY]
        if not self.hour or t_s - self.hour[-1][0] >= _EVERY_S:
            self.hour = [*((at, g) for at, g in self.hour if t_s - at < _HOUR_S), (t_s, median_g)]
        if len(self.medians) < 2:
            return None
        fall = self.medians[-2][1] - median_g
        calm = self.falls[-_CALM:]
        self.falls.append(fall)
        del self.falls[:-_HISTORY]
        if self.pending is not None:
            self.pending = replace(
                self.pending, trembles=self.pending.trembles or self._trembles(calm)
            )
            return self._confirmed(self.pending, t_s, median_g)
        if len(calm) < _NOISE_FROM and not math.isfinite(self.noise_g):
            return None
        if self.cusum.total == 0 and fall <= _LEAST_NOISE_G * self.cusum.reference:
            return None  # Whatever the noise, the sum stays at zero.
        if not self.cusum.add(min(max(fall / self._noise_g(calm), -_CLIP), _CLIP)):
            return None
        fallen = self._certain(t_s, median_g)
        if fallen is not None:
            lost_g = fallen.rate_g_per_h * (t_s - fallen.began_s) / 3600
            self.pending = Pending(fallen, t_s, median_g, lost_g)
        return None

    def _gap(self, apart_s: float) -> bool:
        """Whether medians so far apart have a gap between them, as far as rows usually come."""
        gap = apart_s > _GAP * min(self.apart_s, _GAP * BLOCK_S)
        longest_s = _GAP * _GAP * BLOCK_S
        self.apart_s = max(
            BLOCK_S, self.apart_s + _RECENT * (min(apart_s, longest_s) - self.apart_s)
        )
        return gap

    def _noise_g(self, calm: list[float]) -> float:
        """Robust sd of the falls, looked at anew every minute: it hardly changes in between."""
        if self.noise_age == 0 and len(calm) >= _NOISE_FROM:
            middle = median(calm)
            spread = median([abs(fall_g - middle) for fall_g in calm])
            self.noise_g = max(1.4826 * spread, _LEAST_NOISE_G)
        self.noise_age = (self.noise_age + 1) % _NOISE_LASTS if len(calm) >= _NOISE_FROM else 0
        return self.noise_g

    def _trembles(self, calm: list[float]) -> bool:
        """Whether the last readings scatter about their own course as under a hand."""
        bends_g = np.abs(np.diff(self.recent_g, n=2))
        if len(bends_g) < _BENDS_FROM or len(calm) < _NOISE_FROM:
            return False
        scatter_g = float(np.median(bends_g)) / (0.6745 * math.sqrt(6))
        return scatter_g > max(_TREMBLES_G, _TREMBLES * self._noise_g(calm))

    def _confirmed(self, pending: Pending, t_s: float, median_g: float) -> Fall | None:
        """The fall once it has gone on for a minute; one that has not is forgotten."""
        if t_s - pending.from_s < (_HAND_S if pending.trembles else _CONFIRM_S):
            return None
        self.pending = pending.gone_on(t_s, median_g)
        if self.pending is None:
            self.cusum.total, self.cusum.began = 0.0, 0
            return None
        if not self.pending.certain:
            return None
        self.pending, self.alarmed = None, True
        return Fall(t_s, pending.fall.began_s, pending.fall.rate_g_per_h)

    def _certain(self, t_s: float, median_g: float) -> Fall | None:
        back = min(self.cusum.began, len(self.medians) - 1)
        began_s, began_g = self.medians[-1 - back]
        before = sorted(g for at, g in self.hour if at < began_s)
        usual_g = before[int((1 - _MOST) * len(before))] if before else began_g
        lost = min(began_g, usual_g) - median_g
        rate = lost / max(t_s - began_s, BLOCK_S) * 3600
        spare_g = self.rush_g if rate > 60 * GOES_ON_G_PER_MIN else self.spare_g
        if lost < spare_g or rate < FLOODS_G_PER_H:
            return None
        # One step is a bump or a hand: half the loss must have come in other blocks.
        if max(self.falls[-back:]) > 0.5 * lost:
            return None
        return Fall(t_s, began_s, rate)
