"""What one load cell and its visitors add to a reading, beside noise and drift."""

from __future__ import annotations

import numpy as np

from sim.blend import Floats
from sim.drift import Returning
from sim.scenario import Happenings
from sim.traits import CellSpecimen, Visit
from sim.weather import Weather

# Counts of a converter of 24 bits, as a cell of 1 kg with 1 mV/V gives them.
_COUNTS_PER_G, _EMPTY_COUNTS = 430.0, 60_000.0
# Load on the cell when the bottle is put on, g; what is poured in adds its share of the creep.
_LOAD_G = 1000.0
_HOSE_LAG_S = 480.0


class Quirks:
    """What a specimen's reading is off along a night."""

    def __init__(
        self, specimen: CellSpecimen, weather: Weather, happenings: Happenings, seed: int
    ) -> None:
        self.specimen, self.weather, self.happenings = specimen, weather, happenings
        rng = np.random.default_rng([seed, 11])
        self.returning = Returning(specimen.returns_g, specimen.returns_s, rng)
        self.phase = float(np.random.default_rng([seed, 18]).uniform(0, 2 * np.pi))
        self.power_s = [0.0] + ([happenings.gap_s[1]] if happenings.gap_s else [])
        lags = weather.air_at(weather.t_s, _HOSE_LAG_S)
        self.hose_c: Floats = lags - lags[0]
        self.play_c: Floats = _with_play(weather.bowls_c, specimen.backlash_c) - weather.bowls_c

    def off_g(self, t_s: Floats) -> Floats:
        """Grams at times (n,), in order from call to call."""
        specimen, minutes = self.specimen, self.weather.t_s
        off = self.returning.walk(t_s) if specimen.returns_g else np.zeros(len(t_s))
        last_s = np.array(self.power_s)[np.searchsorted(self.power_s, t_s, side="right") - 1]
        off += specimen.warm_up_g * np.exp(-(t_s - last_s) / specimen.warm_up_s)
        turn = 2 * np.pi * t_s / specimen.humidity_s + self.phase
        off += specimen.humidity_g * (np.sin(turn) - np.sin(self.phase))
        off += specimen.hose_g_per_c * np.interp(t_s, minutes, self.hose_c)
        off += specimen.zero_g_per_c * np.interp(t_s, minutes, self.play_c - self.play_c[0])
        return np.asarray(off + self._poured(t_s))

    def _poured(self, t_s: Floats) -> Floats:
        """Creep under what was poured in."""
        at_s = self.happenings.refill_s
        if at_s is None:
            return np.zeros(len(t_s))
        since_s = np.maximum(t_s - at_s, 0.0)
        share = self.happenings.refill_g / _LOAD_G
        return np.asarray(
            self.specimen.creep_g * share * (1 - np.exp(-since_s / self.specimen.creep_s))
        )


def _with_play(values: Floats, play: float) -> Floats:
    """What a thing shows that follows with some play."""
    if not play:
        return values
    out = np.empty_like(values)
    level = float(values[0])
    for index, value in enumerate(values.tolist()):
        level = min(max(level, value - play), value + play)
        out[index] = level
    return out


def bad_words(reading: Floats, share: float, rng: np.random.Generator) -> Floats:
    """Some readings replaced by 2^n - 1 counts, as a converter gives that is read too late."""
    struck = np.flatnonzero(rng.random(len(reading)) < share)
    words = 2.0 ** rng.integers(0, 24, len(struck)) - 1
    reading = reading.copy()
    reading[struck] = (words - _EMPTY_COUNTS) / _COUNTS_PER_G
    return reading


def visits_g(visits: tuple[Visit, ...], t_s: Floats, rng: np.random.Generator) -> Floats:
    """What visitors add to readings at times (n,)."""
    off = np.zeros(len(t_s))
    for visit in visits:
        here = (t_s >= visit.t_s) & (t_s < visit.t_s + visit.lasts_s)
        off[here] += visit.push_g + rng.normal(0, visit.shake_g, int(here.sum()))
        off[t_s >= visit.t_s + visit.lasts_s] += visit.leaves_g
    return off
