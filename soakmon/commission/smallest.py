"""What leak a cell with this noise and drift can find in a night, by the decider's own model."""

from __future__ import annotations

import math

import numpy as np

from soakmon.capability.bound import Noise, least_sd_g_per_h
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings

_EVERY_S = 60.0
# 1 % false alarms and 95 % found, of a normal error (two-sided tables).
_Z = 2.326 + 1.645


def smallest_g_per_day(
    settings: Settings, noise_g: float, drift_u_g_per_h: float, *, air_c: float, hours: float = 24.0
) -> float:
    """The smallest leak in g/day that a quiet night of so many hours can show by mass alone.

    noise_g: sd of a reading of a second; drift_u_g_per_h: what the cell wanders in an hour. It is a
    bound: nothing disturbs, and evaporation is as uncertain as bench.toml leaves it.
    """
    t_s = np.arange(0.0, 3600.0 * hours, _EVERY_S)
    full_g = settings.geometry.bottle.fill_ml * settings.fuel.density_15c_kg_per_m3 * 1e-3
    rows = Rows(
        t_s,
        np.full(len(t_s), full_g),
        np.full(len(t_s), air_c),
        np.zeros((len(t_s), len(settings.geometry.bowls))),
        None,
        np.ones(len(t_s)),
    )
    priors = settings.priors
    noise = Noise(
        noise_g / math.sqrt(_EVERY_S) if noise_g else 1e-4,
        max(drift_u_g_per_h, 1e-3),
        priors.zero_g_per_c,
        math.hypot(priors.bottle_rel_sd, priors.vapour_rel_sd),
        math.hypot(priors.bowls_rel_sd, priors.vapour_rel_sd),
    )
    return 24 * _Z * least_sd_g_per_h(rows, settings, noise, 0.0)
