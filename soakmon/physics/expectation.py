"""What a fuel-tight rack loses along a record of its temperature: every way out of the bench.

How sure that is, is told by what is known of the bench (`described`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.physics.arrays import Floats, FloatsIn, floats
from soakmon.physics.breathing import bin_means
from soakmon.physics.diffusion import vent_loss_g_per_h_per_m, vent_shape_m
from soakmon.physics.evaporating import Evaporating, bowl_shape_m
from soakmon.physics.fuels import Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.physics.permeation import hose_loss_g_per_h


@dataclass(frozen=True, slots=True)
class EvaporationRates:
    """Loss of each part in g/h at the given fuel temperatures, (n,): best estimates, fresh fuel."""

    bottle: Floats
    hose: Floats
    bowls: Floats

    @property
    def total(self) -> Floats:
        """All parts together in g/h."""
        return floats(self.bottle + self.hose + self.bowls)


@dataclass(frozen=True, slots=True)
class Expectation:
    """Cumulative evaporation in grams since t_s[0], (n,): parts, and all together."""

    t_s: Floats
    bottle_g: Floats
    hose_g: Floats
    bowls_g: Floats
    breathing_g: Floats
    best_g: Floats


def evaporation_rates(geometry: BenchGeometry, fuel: Fuel, temp_c: FloatsIn) -> EvaporationRates:
    """Return evaporation by part at fuel temperature temp_c (°C): diffusion and permeation only."""
    unit = vent_loss_g_per_h_per_m(fuel, temp_c)
    bowls = sum(bowl_shape_m(bowl) for bowl in geometry.bowls)
    return EvaporationRates(
        bottle=floats(vent_shape_m(geometry.bottle.vent) * unit),
        hose=hose_loss_g_per_h(geometry.hose, temp_c),
        bowls=floats(bowls * unit),
    )


def expected_loss(geometry: BenchGeometry, fuel: Fuel, t_s: Floats, temp_c: Floats) -> Expectation:
    """Return the cumulative evaporation of a tight rack along a temperature record.

    t_s: increasing seconds, (n,); temp_c: fuel (or air) temperature in °C, (n,), no gaps. Raises
    ValueError for gaps or shapes that differ.
    """
    t_s, temp_c = floats(t_s), floats(temp_c)
    if t_s.ndim != 1 or t_s.shape != temp_c.shape:
        raise ValueError("t_s and temp_c must be one-dimensional and of equal length")
    if not (np.isfinite(t_s).all() and np.isfinite(temp_c).all()):
        raise ValueError("t_s and temp_c must be finite: fill temperature gaps first")
    bottle, hose, bowls, breathing = _cumulative_parts(geometry, fuel, t_s, temp_c)
    best = bottle + hose + bowls + breathing
    return Expectation(t_s, bottle, hose, bowls, breathing, best)


def _cumulative_parts(
    geometry: BenchGeometry, fuel: Fuel, t_s: Floats, temp_c: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Cumulative grams of bottle, hose, bowls and breathing; fuel follows no faster than a bin."""
    if t_s.size < 2:
        nothing = np.zeros_like(t_s)
        return nothing, nothing, nothing, nothing
    edges, means = bin_means(t_s, temp_c)
    model = Evaporating(geometry, fuel)
    model.step(0.0, float(temp_c[0]), 1.0)
    sums = [(0.0, 0.0, 0.0, 0.0)]
    for hours, mean_c in zip((np.diff(edges) / 3600).tolist(), means.tolist(), strict=True):
        model.step(hours, mean_c, 1.0)
        sums.append((model.bottle_g, model.hose_g, model.bowls_g, model.breathing_g))
    bottle, hose, bowls, breathing = (np.interp(t_s, edges, part) for part in np.array(sums).T)
    return bottle, hose, bowls, breathing
