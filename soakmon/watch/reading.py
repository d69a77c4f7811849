"""What a tight rack's reading may be: evaporation, and all that a bench shows that is no fuel gone.

The evaporation's band says what may have left; a reading is further off by what the bowls are short
of between two sips, by a cell that creeps, walks and follows the temperature, and by noise. All of
it as it is believed before the first reading, so that no leak is explained by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import effort
from soakmon.watch.cell_states import CREEP, CREEP_60, TEMP, TEMP_180, WANDER, WARM_UP
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.normal import below
from soakmon.watch.rows import Floats

_FADING = (WARM_UP, CREEP, CREEP_60)
# How far out a mixture of normal distributions is looked through.
_MOST_SDS = effort(6.0, "sd")
_SDS: Floats = np.linspace(0.0, _MOST_SDS, 601)
_INSIDE: Floats = 2 * below(_SDS) - 1


@dataclass(frozen=True, slots=True)
class CellPrior:
    """Beliefs about a cell before its first reading, (M,) or (M, states) by its kind.

    Variances in g² (of a walk: an hour; of the zero: for 1 °C), rates of fading per hour; short_g:
    what all bowls are short of between two sips, and its sd.
    """

    chance: Floats
    walk_g2_per_h: Floats
    start_g2: Floats
    fades_per_h: Floats
    short_g: float
    short_sd_g: float

    @staticmethod
    def of(fresh: MassFilter) -> CellPrior:
        """As a filter has them that has seen nothing yet."""
        return CellPrior(
            np.exp(fresh.log_weight),
            fresh.drift_g2_per_h.copy(),
            np.array([np.diag(cov) for cov in fresh.cov]),
            fresh.fades_per_h.copy(),
            fresh.short_g,
            fresh.short_sd_g,
        )

    def strays(
        self, hours: Floats, warmer_c: Floats, off_g2: Floats, drawn_g: Floats
    ) -> tuple[Floats, Floats]:
        """(n,) g that a loss read so many hours after the start may be off, low and high at 95 %.

        warmer_c: (n, 4) above the start, now and lagged as the filter has it; off_g2: variance of
        noise and of steps taken out; drawn_g: what the bowls have lost so far.
        """
        # Bowls live on what they hold: by so much less has left the bottle.
        share = 1 - np.exp(-np.maximum(drawn_g, 0.0) / self.short_g)
        variance = self._moved_g2(hours, warmer_c)
        variance += (off_g2 + (self.short_sd_g * share) ** 2)[:, None]
        spread = holding(np.sqrt(variance), self.chance)
        return -self.short_g * share - spread, -self.short_g * share + spread

    def _moved_g2(self, hours: Floats, warmer_c: Floats) -> Floats:
        """(n, M) variance of what each kind of cell shows between the start and now."""
        gone = 1 - np.exp(-hours[:, None, None] * self.fades_per_h)
        variance = np.outer(hours, self.walk_g2_per_h)
        variance += 2 * self.start_g2[:, WANDER] * gone[:, :, WANDER]
        for state in _FADING:
            variance += self.start_g2[:, state] * gone[:, :, state] ** 2
        zeros = self.start_g2[:, TEMP : TEMP_180 + 1]
        return np.asarray(variance + warmer_c**2 @ zeros.T)


def holding(sd: Floats, chance: Floats, share: float = 0.95) -> Floats:
    """(n,) half width that holds a share of a mixture of normal distributions (n, M) about zero."""
    low, high = np.zeros(len(sd)), _MOST_SDS * sd.max(axis=1, initial=0.0)
    for _ in range(30):
        middle = (low + high) / 2
        inside = np.interp(middle[:, None] / np.maximum(sd, 1e-12), _SDS, _INSIDE)
        enough = inside @ (chance / chance.sum()) >= share
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(high)
