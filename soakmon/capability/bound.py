"""The least spread that an estimate of the leak could have in the mass filter's own model.

Van Trees' inequality for that linear model: the inverse of the information on a leak from the
start, told what no decider is told: the cell's white noise, its drift, how wide the bench's
evaporation and zero shift are spread, and how much of it is in common. The model being linear and
Gaussian, a filter that knew all this would reach the bound. It is no bound of the simulated world:
what creeps, warms up and strays is as wide as the filter believes, and needles sip as it believes.
`world_bound` has that one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.averaging import Averager
from soakmon.watch.cell_states import HELD, TEMP_20, TOP_UP
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.needles import short_g
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from soakmon.watch.spread import PARTS, Slices
from soakmon.watch.weep import Weep


@dataclass(frozen=True, slots=True)
class Noise:
    """What a night's bench really was.

    white_g: sd of one reading at 1 Hz; wander_g: random walk over an hour; zero_g_per_c: sd of the
    zero shift; feed_rel_sd, bowls_rel_sd: relative sd of the evaporation of bottle and hose, and of
    the bowls, over benches of this kind, and their correlation.
    """

    white_g: float
    wander_g: float
    zero_g_per_c: float
    feed_rel_sd: float
    bowls_rel_sd: float
    correlation: float = 0.0


@dataclass(frozen=True, slots=True)
class Minute:
    """One averaged reading as the true filter sees it: time s, row, reading and noise in g."""

    t_s: float
    row: Floats
    reading_g: float
    noise_g: float
    inputs: Floats


def minutes(
    rows: Rows, settings: Settings, noise: Noise, soak_s: float, bank: MassFilter
) -> Iterator[Minute]:
    """The readings of a soak from soak_s on, as observation rows of the mass filter `told`.

    Each comes when the filter has been let to its time, and is the caller's to update it with.
    """
    evaporation = Evaporation(settings)
    weep: Weep | None = None
    last_s = float(rows.t_s[0])
    for average in Averager().push(rows):
        seconds, last_s = average.t_s - last_s, average.t_s
        evaporation.step(seconds, average.air_c, average.fuel_c, average.feed_open)
        if average.t_s < soak_s or not math.isfinite(average.mass_g):
            continue
        if weep is None:
            weep = Weep(settings, average.t_s, 0, average.mass_g)
            weep.filter = bank
            evaporation.restart()
        weep.advance(average.t_s, average.feed_open, evaporation)
        white = noise.white_g / math.sqrt(max(average.readings, 1))
        reading = average.mass_g - weep.zero_g + evaporation.total_g
        inputs = weep.inputs(evaporation)[: bank.score.shape[1]]
        yield Minute(average.t_s, weep.row(evaporation), reading, white, inputs)


def true_filter(noise: Noise, onsets: int) -> MassFilter:
    """The mass filter that has been told what the bench is: a bank of one.

    Its first filter is the narrow one of each prior, and the model itself is taken as right.
    """
    sds = np.array([noise.feed_rel_sd, noise.bowls_rel_sd])
    together = np.array([[1.0, noise.correlation], [noise.correlation, 1.0]])
    known = Slices(np.ones(1), np.zeros((1, PARTS)), (np.outer(sds, sds) * together)[None])
    usual = short_g(BenchGeometry().bowls, FUELS["petrol_a"])
    bank = MassFilter(known, 0.0, onsets, short_g=usual, unsteady_rel_sd=0.0)
    bank.keep(slice(1))
    bank.drift_g2_per_h = np.full_like(bank.drift_g2_per_h, noise.wander_g**2)
    for state in (TOP_UP, HELD):
        bank.cov[:, state, state] = 0.0
    bank.cov[:, TEMP_20, TEMP_20] = noise.zero_g_per_c**2
    return bank


def least_sd_g_per_h(rows: Rows, settings: Settings, noise: Noise, soak_s: float) -> float:
    """The model's bound on the sd of a leak from the start, g/h; infinite without readings."""
    bank = true_filter(noise, 1)
    for minute in minutes(rows, settings, noise, soak_s, bank):
        bank.update(minute.row, minute.reading_g, minute.noise_g, minute.inputs)
    information = float(bank.judged().information[0, 0])
    return information**-0.5 if information > 0 else float("inf")
