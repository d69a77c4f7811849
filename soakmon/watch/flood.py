"""The flood layer: seconds, not statistics. Works on raw rows; needs drops and mass to agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.watch.averaging import join
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.state import kept

WINDOW_S = 10.0
STORM_DROPS = 5
BIG_STORM_DROPS = 8
_KEEP_S = 90.0
# Readings that differ by less are the same but for rounding.
_LEAST_STEP_G = 1e-6
# What a needle commonly lets in at once.
_SIP_G = 0.15


@dataclass(frozen=True, slots=True)
class Storm:
    """A drop storm at a gate (counted from 0) that the mass bears out."""

    t_s: float
    gate: int
    rate_g_per_h: float


@kept
class FloodWatch:
    """Looks for a storm of drops at one gate that the load cell bears out.

    drop_g: mass of a drop. While the rack fills the mass falls anyway, so there a bigger storm is
    asked for; afterwards the loss since the storm began must be five standard errors of its noise,
    a digit of the cell and a needle's sip, and at least a third of what the drops say.
    """

    def __init__(self, drop_g: float) -> None:
        self.drop_g = drop_g
        self.tail: list[Rows] = []
        self.alarmed: list[int] = []
        self.counted_s = float("-inf")

    def push(self, rows: Rows, *, filling: bool) -> list[Storm]:
        """New storms in these rows; each gate is reported once."""
        if not rows.gates or not len(rows):
            return []
        parts = [*self.tail, rows]
        self.tail = _since(parts, float(rows.t_s[-1]) - _KEEP_S)
        if (rows.drops > 0).any():
            self.counted_s = float(rows.t_s[-1])
        if rows.t_s[0] > self.counted_s + WINDOW_S:
            return []
        joined = join(parts)
        return self._storms(joined, len(joined) - len(rows), filling=filling)

    def _storms(self, rows: Rows, first_new: int, *, filling: bool) -> list[Storm]:
        found: list[Storm] = []
        counts = np.nan_to_num(rows.drops)
        total = np.vstack((np.zeros(rows.gates), np.cumsum(counts, axis=0)))
        begin = np.searchsorted(rows.t_s, rows.t_s - WINDOW_S, side="right")
        recent = total[1:] - total[begin]
        least = BIG_STORM_DROPS if filling else STORM_DROPS
        for gate in range(rows.gates):
            if gate in self.alarmed:
                continue
            for index in np.flatnonzero(recent[first_new:, gate] >= least) + first_new:
                rate = recent[index, gate] * self.drop_g / WINDOW_S * 3600.0
                if filling or self._borne_out(rows, total[:, gate], int(index)):
                    self.alarmed.append(gate)
                    found.append(Storm(float(rows.t_s[index]), gate, float(rate)))
                    break
        return found

    def _borne_out(self, rows: Rows, total: Floats, index: int) -> bool:
        """Whether the mass fell as the drops of the last minute say."""
        now = rows.t_s[index]
        storm = rows.t_s > now - 60.0
        storm[index + 1 :] = False
        struck = np.flatnonzero(storm & (np.diff(total) > 0))
        since = int(struck[0]) if len(struck) else index
        before = rows.mass_g[max(0, since - 20) : max(since, 1)]
        after = rows.mass_g[max(since, index - 3) : index + 1]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if len(before) < 3 or len(after) < 1:
            return False
        lost = float(np.median(before) - np.median(after))
        # Without the ends, for spikes; the median of deviations is 0 on a coarse cell.
        noise = float(np.std(np.sort(before)[1:-1])) + 1e-3
        said = (total[index + 1] - total[since]) * self.drop_g
        # A median scatters by 1.25 of what a mean does, and flips by a digit of the cell.
        scatter = 1.25 * noise * np.sqrt(1 / len(before) + 1 / len(after))
        least = 5 * scatter + _digit_g(rows.mass_g) + _SIP_G
        return bool(lost > least and lost > 0.33 * said)


def _digit_g(mass_g: Floats) -> float:
    """The least step between readings; 0 where they do not differ."""
    steps = np.diff(np.unique(mass_g[np.isfinite(mass_g)]))
    steps = steps[steps > _LEAST_STEP_G]
    return float(steps.min()) if len(steps) else 0.0


def _since(parts: list[Rows], t_s: float) -> list[Rows]:
    """What of the parts is not before t_s."""
    recent = [part for part in parts if part.t_s[-1] >= t_s]
    first = recent[0]
    return [first.part(int(first.t_s.searchsorted(t_s)), len(first)), *recent[1:]]
