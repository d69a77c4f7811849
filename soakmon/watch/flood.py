"""The flood layer: seconds, not statistics. Works on raw rows; needs drops and mass to agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import USUAL_DROP_G
from soakmon.watch.averaging import join
from soakmon.watch.disturbance import SAME_G
from soakmon.watch.needles import COMMON_SIP_G
from soakmon.watch.rows import Floats, Rows

# A leak so fast is a flood: its size is read off, not weighed, and nobody waits for proof of hours.
FLOODS_G_PER_H = judgement(25.0, "g/h")
# Drops are counted over so long.
WINDOW_S = judgement(10.0, "s")
# Drops per s at one gate that are a storm; where the mass falls anyway, so many in the window, and
# some in both halves of it: a hand in the beam makes as many in a second.
STORM_PER_S = FLOODS_G_PER_H / 3600 / USUAL_DROP_G
FILLING_STORM_PER_S = judgement(0.8, "drops/s")
_IN_EACH_HALF = judgement(0.25, "share")
# While the rack fills, people are at the bench: what they shake is counted at several gates.
_OTHERS = judgement(0.5, "share")
# Without a mass a storm must go on evenly, at one gate alone, for so long, in parts that hold so
# much of the mean and so many times it, and no faster than drops fall one by one (judgement).
_BLIND_S = judgement(90.0, "s")
_BLIND_EVEN = judgement((0.6, 1.5), "times")
_BLIND_MOST_PER_S = judgement(15.0, "drops/s")
# A mass that repeats itself so often is none, of a cell that does so less often than that.
_STUCK = judgement(4, "readings")
_USUALLY_SAME = judgement(0.3, "share")
# So much is kept at least, and of the time before it for the mass's own scatter.
_KEEP_S = effort(240.0, "s")
_KEEP_ROWS = effort(60, "rows")
_BEFORE_S = effort(120.0, "s")
_BEFORE_ROWS = effort(20, "rows")
# A fall is one from so many of its own scatters on.
_SCATTERS = judgement(2.0, "sd")
# The mass bears a storm out when it fell by so many sd of its medians, and by this share of what
# the drops of so long say (judgement).
_SURELY_SD = judgement(5, "sd")
_OF_SAID = judgement(0.33, "share")
_STORM_S = judgement(60.0, "s")


@dataclass(frozen=True, slots=True)
class Storm:
    """A drop storm at a gate (counted from 0) that the mass bears out."""

    t_s: float
    gate: int
    rate_g_per_h: float


@dataclass(frozen=True, slots=True)
class _Lost:
    """What the bottle lost during a storm, g, its standard error, and how long it took, s."""

    lost_g: float
    scatter_g: float
    seconds: float


class FloodWatch:
    """Looks for a storm of drops at one gate that the load cell bears out.

    drop_g: mass of a drop. While the rack fills the mass falls anyway, so there a bigger storm at
    one gate alone is asked for; afterwards the loss since the storm began must be five standard
    errors of its noise, a digit of the cell and a needle's sip, and at least a third of what the
    drops say. Nor is a flood said to be larger than what the bottle lost. While no mass is read,
    a bigger storm that keeps even at one gate is one by itself: nothing else would tell of it.
    Rows may be of any length. before_s: time of the row before the first, NaN: nobody knows since
    when that one counts.
    """

    def __init__(self, drop_g: float, before_s: float = float("nan")) -> None:
        self.drop_g, self.before_s = drop_g, before_s
        self.tail: list[Rows] = []
        self.alarmed: list[int] = []
        self.counted_s = float("-inf")
        # Readings that were that before them, and that were not; how long the last has stood.
        self.same, self.other, self.run = 0, 0, 0
        self.last_g = float("nan")

    def push(self, rows: Rows, *, filling: bool) -> list[Storm]:
        """New storms in these rows; each gate is reported once."""
        if not rows.gates or not len(rows):
            return []
        self._repeats(rows.mass_g)
        parts = [*self.tail, rows]
        self.tail = _since(parts, float(rows.t_s[-1]) - _KEEP_S)
        if (rows.drops > 0).any():
            self.counted_s = float(rows.t_s[-1])
        if rows.t_s[0] > self.counted_s + WINDOW_S:
            return []
        joined = join(parts)
        return self._storms(joined, len(joined) - len(rows), filling=filling)

    def _repeats(self, mass_g: Floats) -> None:
        """Note how often a reading is that before it, but for a run that has not ended."""
        for reading_g in mass_g[np.isfinite(mass_g)].tolist():
            if abs(reading_g - self.last_g) <= SAME_G:
                self.run += 1
            else:
                self.same += self.run
                self.other += 1
                self.run = 0
            self.last_g = reading_g

    @property
    def lively(self) -> bool:
        """Whether the cell hardly ever repeats a reading to the digit."""
        return self.other >= _STUCK and self.same < _USUALLY_SAME * (self.same + self.other)

    def _storms(self, rows: Rows, first_new: int, *, filling: bool) -> list[Storm]:
        storms: list[Storm] = []
        counts = np.nan_to_num(rows.drops)
        total = np.vstack((np.zeros(rows.gates), np.cumsum(counts, axis=0)))
        begin = np.searchsorted(rows.t_s, rows.t_s - WINDOW_S, side="right")
        # A row counts since the row before it: the window is as long as its rows.
        from_s = np.append(self.before_s, rows.t_s)[begin]
        seconds = np.maximum(rows.t_s - from_s, WINDOW_S)
        recent = total[1:] - total[begin]
        least = (FILLING_STORM_PER_S if filling else STORM_PER_S) * seconds
        for gate in range(rows.gates):
            if gate in self.alarmed:
                continue
            for index in np.flatnonzero(recent[first_new:, gate] >= least[first_new:]) + first_new:
                rate = recent[index, gate] * self.drop_g / seconds[index] * 3600.0
                if filling:
                    borne_out = _alone(rows, total, gate, int(index), int(begin[index]))
                else:
                    lost = self._borne_out(rows, total[:, gate], int(index))
                    borne_out = lost is not None or _goes_on_blind(
                        rows, total, gate, int(index), lively=self.lively
                    )
                    if lost is not None:
                        most_g = lost.lost_g + _SCATTERS * lost.scatter_g
                        rate = min(rate, most_g / lost.seconds * 3600.0)
                if borne_out:
                    self.alarmed.append(gate)
                    storms.append(Storm(float(rows.t_s[index]), gate, float(rate)))
                    break
        return storms

    def _borne_out(self, rows: Rows, total: Floats, index: int) -> _Lost | None:
        """What the mass lost, if it fell as the drops of the last minute, or row, say."""
        now = rows.t_s[index]
        storm = rows.t_s > now - _STORM_S
        storm[index] = True
        storm[index + 1 :] = False
        struck = np.flatnonzero(storm & (np.diff(total) > 0))
        since = int(struck[0]) if len(struck) else index
        first = max(0, since - _BEFORE_ROWS, int(np.searchsorted(rows.t_s, now - _BEFORE_S)))
        before = rows.mass_g[min(first, max(since - 3, 0)) : max(since, 1)]
        after = rows.mass_g[max(since, index - 3) : index + 1]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if len(before) < 3 or len(after) < 1:
            return None
        lost = float(np.median(before) - np.median(after))
        # Without the ends, for spikes; the median of deviations is 0 on a coarse cell.
        noise = float(np.std(np.sort(before)[1:-1])) + 1e-3
        said = (total[index + 1] - total[since]) * self.drop_g
        # A median scatters by 1.25 of what a mean does, and flips by a digit of the cell.
        scatter = 1.25 * noise * float(np.sqrt(1 / len(before) + 1 / len(after)))
        digit = _digit_g(rows.mass_g[first : index + 1])
        if not (lost > _SURELY_SD * scatter + digit + COMMON_SIP_G and lost > _OF_SAID * said):
            return None
        seconds = float(now - rows.t_s[max(since - 1, 0)])
        return _Lost(lost, scatter + digit, max(seconds, 1.0))


def _alone(rows: Rows, total: Floats, gate: int, index: int, begin: int) -> bool:
    """Whether a storm goes on for a while, at one gate while the others count little."""
    recent = total[index + 1] - total[begin]
    others = float(recent.sum() - recent[gate])
    if others > _OTHERS * recent[gate]:
        return False
    half = int(np.searchsorted(rows.t_s, rows.t_s[index] - WINDOW_S / 2, side="right"))
    # A row as long as the window has no halves to look at.
    if half >= index:
        return True
    early = float(total[half, gate] - total[begin, gate]) / float(recent[gate])
    return _IN_EACH_HALF <= early <= 1 - _IN_EACH_HALF


def _goes_on_blind(rows: Rows, total: Floats, gate: int, index: int, *, lively: bool) -> bool:
    """Whether a storm goes on evenly at one gate alone, and no mass has been read all the while.

    Sun and flies make bursts; hum and a bad supply count at all gates.
    """
    if index == 0:
        return False
    now = rows.t_s[index]
    row_s = float(now - rows.t_s[index - 1])
    parts = max(int(_BLIND_S / max(row_s, WINDOW_S)), 2)
    ends = now - max(row_s, WINDOW_S) * np.arange(parts, -1, -1)
    if ends[0] < rows.t_s[0]:
        return False
    places = rows.t_s.searchsorted(ends, side="right") - 1
    if not _blind(rows.mass_g[places[0] + 1 : index + 1], lively=lively):
        return False
    seconds = np.diff(rows.t_s[places])
    if not np.all(seconds > 0):
        return False
    counts = np.diff(total[places + 1], axis=0)
    mean_per_s = float(counts[:, gate].sum() / seconds.sum())
    least, most = (share * mean_per_s for share in _BLIND_EVEN)
    per_s = counts[:, gate] / seconds
    alone = counts.sum() - counts[:, gate].sum() <= _OTHERS * counts[:, gate].sum()
    fast = FILLING_STORM_PER_S <= mean_per_s <= _BLIND_MOST_PER_S
    return bool(alone and fast and np.all((per_s >= least) & (per_s <= most)))


def _blind(mass_g: Floats, *, lively: bool) -> bool:
    """Whether no mass is read, or one of a lively cell again and again to the digit.

    A dead bridge, or a converter that hangs, repeats its last reading.
    """
    read = mass_g[np.isfinite(mass_g)]
    stuck = lively and len(read) >= _STUCK and float(np.ptp(read)) <= SAME_G
    return len(read) == 0 or stuck


def _digit_g(mass_g: Floats) -> float:
    """The least step between readings; 0 where they do not differ."""
    steps = np.diff(np.unique(mass_g[np.isfinite(mass_g)]))
    steps = steps[steps > SAME_G]
    return float(steps.min()) if len(steps) else 0.0


def _since(parts: list[Rows], t_s: float) -> list[Rows]:
    """What of the parts is not before t_s, and some rows at least."""
    rows, first = 0, len(parts)
    while first > 0 and (rows < _KEEP_ROWS or parts[first - 1].t_s[-1] >= t_s):
        first -= 1
        rows += len(parts[first])
    recent = parts[first:]
    cut = min(int(recent[0].t_s.searchsorted(t_s)), max(rows - _KEEP_ROWS, 0), len(recent[0]) - 1)
    return [recent[0].part(cut, len(recent[0])), *recent[1:]]
