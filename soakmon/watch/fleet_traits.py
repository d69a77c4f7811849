"""What the cells and gates of a shop are like by kind, and whether one departs from its kind.

Cells: zero shift z_b ~ N(0, s²), read with its own sd; drift log-normal about its kind. Gates: what
one counts in the dark is Poisson, its rate a gamma about that of its kind (so counts are negative
binomial). One cell, and one gate, is one draw, however many soaks it has had.

Nothing of this makes a soak tight sooner: a cell that shifts more than was said widens what is
believed, and one that shifts less does not narrow it; a gate that counts less than was said
is heard sooner, and one that counts more is not deafened, since what it counts may be fuel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.texts import say
from soakmon.watch.rows import Floats
from soakmon.watch.traits import CellSeen

# Fewer others are no kind; and so many of its latest soaks say what a bench is like now.
LEAST_OTHERS = judgement(3, "benches")
NOW_SOAKS = judgement(3, "soaks")
# Older soaks of a cell or gate are another season's.
MOST_SOAKS = judgement(30, "soaks")
# How far cells of a kind are apart before any has told: the spread of specimens, as in the mass
# filter; drift of cells by the same.
_ZERO_LOG_SD = judgement(0.8, "log. sd")
_DRIFT_LOG_SD = judgement(0.7, "log. sd")
_DRIFT_SOAK_LOG_SD = judgement(0.3, "log. sd")
_LEAST_DRIFT = judgement(0.005, "g/√h")
_ZEROS: Floats = effort(np.geomspace(0.005, 2.0, 61), "g/°C")
# Rates of a kind of gate over the expected, and how alike its gates are (shape of the gamma).
_RATES: Floats = effort(np.geomspace(1e-2, 1e3, 101), "times")
_RATES_LOG_SD = judgement(1.5, "log. sd")
_SHAPES: Floats = effort(np.geomspace(0.25, 8.0, 6), "shape")
# An hour of the day is told from the others by so many counts (judgement).
_HOUR_COUNTS = judgement(5.0, "counts")
# A cell or gate like this is one of so many, and told to be odd.
_ODD = judgement(0.001, "chance")
_ODD_SDS = judgement(3.0, "sd")
# What a gate is heard by is at most so much lower than was said.
_LEAST_DARK = judgement(0.25, "times")
HOURS = effort(24, "hours of the day")


@dataclass(frozen=True, slots=True)
class CellKind:
    """Cells of a kind: how many told, sd of their zero shift, middle and log. sd of their drift."""

    cells: int
    zero_g_per_c: float
    drift_g_per_root_h: float
    drift_log_sd: float


@dataclass(frozen=True, slots=True)
class GateCounts:
    """What a gate has counted in the dark: by hour of the day, and in how many hours each."""

    counts: tuple[float, ...]
    hours: tuple[float, ...]

    @property
    def all(self) -> tuple[float, float]:
        """Counts and hours together."""
        return math.fsum(self.counts), math.fsum(self.hours)


@dataclass(frozen=True, slots=True)
class GateKind:
    """Gates of a kind: how many told, counts per hour in the middle, and for each hour of the day.

    shape: how alike they are; odd gates are rare where it is large.
    """

    gates: int
    per_h: float
    shape: float
    by_hour: tuple[float, ...]


def of_cell(soaks: Sequence[CellSeen]) -> CellSeen:
    """A cell by several soaks, each as it was read."""
    weight = np.array([1 / max(soak.zero_sd, 1e-6) ** 2 for soak in soaks])
    mean = float(weight @ [soak.zero_g_per_c for soak in soaks] / weight.sum())
    drift = [math.log(max(soak.drift_g_per_root_h, _LEAST_DRIFT)) for soak in soaks]
    return CellSeen(mean, float(weight.sum() ** -0.5), math.exp(float(np.mean(drift))))


def cell_kind(cells: Sequence[CellSeen], told_g_per_c: float) -> CellKind | None:
    """What cells (one entry each) have in common; told_g_per_c: what was believed before."""
    if len(cells) < LEAST_OTHERS:
        return None
    mean = np.array([cell.zero_g_per_c for cell in cells])
    sd = np.hypot(np.array([cell.zero_sd for cell in cells]), _ZEROS[:, None])
    log = -0.5 * (np.log(_ZEROS / max(told_g_per_c, 1e-3)) / _ZERO_LOG_SD) ** 2
    log += (-0.5 * (mean / sd) ** 2 - np.log(sd)).sum(axis=1)
    weight = np.exp(log - log.max())
    zero = math.sqrt(float(weight @ _ZEROS**2 / weight.sum()))
    drift = np.log([max(cell.drift_g_per_root_h, _LEAST_DRIFT) for cell in cells])
    # Their own spread, and what was believed of it, as if of three more cells.
    squares = float(((drift - drift.mean()) ** 2).sum()) + LEAST_OTHERS * _DRIFT_LOG_SD**2
    log_sd = math.sqrt(squares / (len(cells) + LEAST_OTHERS - 1))
    return CellKind(len(cells), zero, math.exp(float(drift.mean())), log_sd)


def gate_kind(gates: Sequence[GateCounts], told_per_h: float) -> GateKind | None:
    """What gates (one entry each) have in common; told_per_h: the dark rate believed before."""
    if len(gates) < LEAST_OTHERS:
        return None
    every = [gate.all for gate in gates]
    log = -0.5 * (np.log(_RATES) / _RATES_LOG_SD) ** 2 + np.zeros((len(_SHAPES), 1))
    for count, hours in every:
        log += _log_chance(count, told_per_h * hours * _RATES, _SHAPES[:, None])
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    rate = told_per_h * math.exp(float((weight * np.log(_RATES)).sum()))
    shape = math.exp(float((weight * np.log(_SHAPES)[:, None]).sum()))
    return GateKind(len(gates), rate, shape, _by_hour(gates, rate))


def _by_hour(gates: Sequence[GateCounts], rate: float) -> tuple[float, ...]:
    """Counts per hour in each hour of the day, drawn towards the rate of the whole day."""
    counts = np.sum([gate.counts for gate in gates], axis=0)
    hours = np.sum([gate.hours for gate in gates], axis=0)
    mean = float(counts.sum() / max(hours.sum(), 1e-9))
    expected = np.maximum(mean * hours, 1e-9)
    return tuple((rate * (counts + _HOUR_COUNTS) / (expected + _HOUR_COUNTS)).tolist())


def _log_chance(count: float, mean: Floats, shape: Floats) -> Floats:
    """Negative binomial: so many counts where the gate's own rate is a gamma about the kind's."""
    gamma = np.vectorize(math.lgamma)
    share = mean / (mean + shape)
    chance = gamma(count + shape) - gamma(shape) - math.lgamma(count + 1)
    return np.asarray(chance + count * np.log(share) + shape * np.log1p(-share))


def odd_cell(cell: CellSeen, kind: CellKind) -> str:
    """In what a cell departs from its kind, in words; empty where it does not."""
    zero, others = abs(cell.zero_g_per_c), kind.zero_g_per_c
    if zero > _ODD_SDS * math.hypot(others, cell.zero_sd):
        return say("fleet_traits.zero", zero=f"{zero:.2f}", kind=f"{others:.2f}")
    above = math.log(max(cell.drift_g_per_root_h, _LEAST_DRIFT) / kind.drift_g_per_root_h)
    if above > _ODD_SDS * math.hypot(kind.drift_log_sd, _DRIFT_SOAK_LOG_SD):
        drift, usual = cell.drift_g_per_root_h, kind.drift_g_per_root_h
        return say("fleet_traits.drift", drift=f"{drift:.2f}", kind=f"{usual:.2f}")
    return ""


def odd_gates(gates: Mapping[int, GateCounts], kind: GateKind) -> list[str]:
    """Which gates (by carb) count more than gates of their kind do, in words."""
    return [
        say("fleet_traits.gate", gate=carb, rate=f"{count / hours:.2g}", kind=f"{kind.per_h:.2g}")
        for carb, counts in sorted(gates.items())
        for count, hours in [counts.all]
        if hours > 0 and _chance_of_more(count, kind.per_h * hours, kind.shape) < _ODD
    ]


def _chance_of_more(count: float, mean: float, shape: float) -> float:
    """Chance that a gate of the kind counts as much or more."""
    below = np.arange(math.ceil(count))
    if not len(below):
        return 1.0
    logs = [_log_chance(float(n), np.array(mean), np.array(shape)) for n in below.tolist()]
    return max(1.0 - float(np.exp(logs).sum()), 0.0)


def careful_zero(told_g_per_c: float, kind: CellKind | None) -> float:
    """Zero shift that is reckoned with: as told, or more where cells of the kind shift more."""
    return max(told_g_per_c, kind.zero_g_per_c) if kind is not None else told_g_per_c


def careful_dark(told_per_h: float, kind: GateKind | None) -> float:
    """Dark rate that is reckoned with: as told, or less where gates of the kind count less."""
    if kind is None:
        return told_per_h
    return min(max(kind.per_h, _LEAST_DARK * told_per_h), told_per_h)
