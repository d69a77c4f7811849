"""The load cell: the bottle's mass with everything a real cell adds to it."""

from __future__ import annotations

import numpy as np

from sim.blend import Floats
from sim.quirks import Quirks, bad_words, visits_g
from sim.scenario import Scenario
from sim.traits import Air, CellSpecimen
from sim.weather import Weather

_LEAST_G, _MOST_G = -0.5, 2000.0
_LOADED_S, _CREEP_S, _FILLED_S = -300.0, 1500.0, 900.0


class Cell:
    """Reads the mass in g, call after call along a night; knocks_s: bangs on the bench."""

    def __init__(self, scenario: Scenario, weather: Weather, knocks_s: Floats, seed: int) -> None:
        self.traits = scenario.cell
        self.happenings = scenario.happenings
        self.rng = np.random.default_rng([seed, 3])
        self.word_rng = np.random.default_rng([seed, 16])
        self.visit_rng = np.random.default_rng([seed, 17])
        self.weather = weather
        self.knocks_s = knocks_s
        traits = self.traits
        self.zero_g_per_c = float(self.rng.normal(0, traits.zero_g_per_c))
        self.creep_g = float(self.rng.normal(0, traits.creep_g))
        self.creep_s, self.recovers, self.span = _CREEP_S, 1.0, 1.0
        self.quirks: Quirks | None = None
        self._be(traits.specimen, seed)
        self.stiffness = float(self.rng.normal(0, 0.003))
        bumps = len(self.happenings.bumps_s)
        self.bump_g = self.rng.choice([-1, 1], bumps) * self.rng.uniform(0.8, 6.0, bumps)
        self.body_c = weather.air_at(weather.t_s, traits.lag_s)
        self.wander_g = 0.0
        self.last_s = 0.0
        self.frozen_g: float | None = None

    def _be(self, specimen: CellSpecimen | None, seed: int) -> None:
        """Be this very cell instead of a drawn one."""
        if specimen is None:
            return
        self.zero_g_per_c, self.creep_g, self.creep_s = (
            specimen.zero_g_per_c,
            specimen.creep_g,
            specimen.creep_s,
        )
        self.recovers, self.span = specimen.recovers, specimen.span
        self.quirks = Quirks(specimen, self.weather, self.happenings, seed)

    def read(self, t_s: Floats, mass_g: Floats) -> Floats:
        """Readings at times t_s (n,) of a true mass (n,), both in order."""
        spacing = np.diff(t_s, prepend=self.last_s)
        self.last_s = float(t_s[-1])
        reading = mass_g * (self.span - self.stiffness) + self._zero(t_s) + self._creep(t_s)
        reading = reading + self._wander(spacing) + self._pushes(t_s)
        if self.quirks is not None:
            reading = reading + self.quirks.off_g(t_s)
        if self.happenings.visits:
            reading = reading + visits_g(self.happenings.visits, t_s, self.visit_rng)
        faster = np.sqrt(1 / np.clip(spacing, 0.05, 1.0))
        reading = reading + self.rng.normal(0, self.traits.noise_g, len(t_s)) * faster
        reading = reading + self._spikes(len(t_s))
        if self.traits.bad_words:
            reading = bad_words(reading, self.traits.bad_words, self.word_rng)
        if not self.traits.raw:
            # What a driver cannot take for a mass on this cell it does not hand on.
            reading[(reading < _LEAST_G) | (reading > _MOST_G)] = np.nan
        quantum = self.traits.quantum_g
        return self._freeze(t_s, np.round(np.round(reading / quantum) * quantum, 6))

    def _zero(self, t_s: Floats) -> Floats:
        body_c = np.interp(t_s, self.weather.t_s, self.body_c)
        return np.asarray(self.zero_g_per_c * (body_c - self.body_c[0]))

    def _creep(self, t_s: Floats) -> Floats:
        """Creep after the bottle was put on, and back a little after the rack took its fuel."""
        loading = -np.exp(-(t_s - _LOADED_S) / self.creep_s)
        unloading = np.where(t_s > _FILLED_S, np.exp(-(t_s - _FILLED_S) / self.creep_s) - 1, 0.0)
        return np.asarray(self.creep_g * (loading + 0.3 * self.recovers * unloading))

    def _wander(self, spacing_s: Floats) -> Floats:
        steps = self.rng.normal(0, self.traits.wander_g, len(spacing_s))
        walk = self.wander_g + np.cumsum(steps * np.sqrt(spacing_s / 3600))
        self.wander_g = float(walk[-1])
        return walk

    def _pushes(self, t_s: Floats) -> Floats:
        push = np.zeros(len(t_s))
        for knock_s in self.knocks_s:
            near = (t_s >= knock_s) & (t_s < knock_s + 2)
            push[near] += self.rng.normal(0, 8.0, int(near.sum()))
        for bump_s, grams in zip(self.happenings.bumps_s, self.bump_g, strict=True):
            push += np.where(t_s >= bump_s, grams, 0.0)
        return push

    def _spikes(self, count: int) -> Floats:
        spikes = np.zeros(count)
        struck = np.flatnonzero(self.rng.random(count) < self.traits.spikes)
        sizes = self.rng.choice([-1, 1], len(struck)) * 10 ** self.rng.uniform(0, 3, len(struck))
        spikes[struck] = sizes
        return spikes

    def _freeze(self, t_s: Floats, reading: Floats) -> Floats:
        from_s = self.happenings.freeze_s
        if from_s is None or t_s[-1] < from_s:
            return reading
        first = int(np.searchsorted(t_s, from_s))
        if self.frozen_g is None:
            self.frozen_g = float(reading[first])
        reading[first:] = self.frozen_g
        return reading


class SimulatedThermometer:
    """Air temperature in steps of 1/16 °C with a little noise, and what else it feels."""

    def __init__(self, weather: Weather, seed: int, air: Air) -> None:
        self.weather = weather
        self.air = air
        self.rng = np.random.default_rng([seed, 5])

    def read(self, t_s: Floats) -> Floats:
        """Readings in °C at times (n,)."""
        air_c = self.weather.air_at(t_s) + self.rng.normal(0, 0.03, len(t_s))
        air_c = air_c + self.air.bias_c
        for from_s, off_c, lasts_s in self.air.draughts:
            since_s = np.maximum(t_s - from_s, 0.0)
            air_c = air_c + np.where(t_s >= from_s, off_c * np.exp(-since_s / lasts_s), 0.0)
        return np.asarray(np.round(air_c * 16) / 16)
