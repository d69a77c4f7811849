"""Limits of OIML R 60 (2021) for load cells of class C: what a calibration is judged against.

Maximum permissible error (R 60-1, 5.1): p_LC times 0.5 v up to 500 v, 1 v up to 2000 v, 1.5 v up to
10 000 v, with the apportioning factor p_LC = 0.7 where the cell does not say otherwise. Creep over
30 min stays within 0.7 of it, between 20 and 30 min within 0.15 of it; the output at minimum dead
load returns within 0.5 v, and shifts by no more than p_LC times v_min per 5 °C and v_min per kPa
of the air's pressure. v is the verification interval: capacity over the number of intervals; v_min,
the smallest that the cell may be used with, is at most v where the cell does not say.
"""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.texts import say
from soakmon.weigh.uncertainty import Measured

P_LC = 0.7
_CREEP_SHARE, _LATE_CREEP_SHARE = 0.7, 0.15
_RETURN_V = 0.5
_MOST_V = 10_000


@dataclass(frozen=True, slots=True)
class CellClass:
    """A class C cell: capacity_g and its number of intervals (C3: 3000)."""

    capacity_g: float
    intervals: int = 3000

    def __post_init__(self) -> None:
        """Refuse what the class does not have."""
        if not self.capacity_g > 0:
            raise ValueError(say("oiml.capacity_above_0"))
        if not 500 <= self.intervals <= _MOST_V:
            raise ValueError(say("oiml.intervals"))

    @property
    def v_g(self) -> float:
        """Verification interval, g."""
        return self.capacity_g / self.intervals

    def limit_g(self, load_g: float) -> float:
        """Maximum permissible error at a load, g (both signs)."""
        v = self.v_g
        # A load at a step's end still belongs to the step: rounding must not push it over.
        steps = round(abs(load_g) / v, 6)
        factor = 0.5 if steps <= 500 else 1.0 if steps <= 2000 else 1.5
        return P_LC * factor * v

    def creep_g(self, load_g: float | None = None) -> float:
        """Most creep over 30 min under a load (the capacity when None), g."""
        return _CREEP_SHARE * self.limit_g(self._load(load_g))

    def late_creep_g(self, load_g: float | None = None) -> float:
        """Most creep between 20 and 30 min, g."""
        return _LATE_CREEP_SHARE * self.limit_g(self._load(load_g))

    @property
    def dead_load_return_g(self) -> float:
        """Most change of the empty reading after 30 min under load, g."""
        return _RETURN_V * self.v_g

    def zero_per_5c_g(self, v_min_g: float | None = None) -> float:
        """Most shift of the empty reading per 5 °C, g."""
        return P_LC * (self.v_g if v_min_g is None else v_min_g)

    def zero_per_kpa_g(self, v_min_g: float | None = None) -> float:
        """Most shift of the empty reading per kPa of the air's pressure, g."""
        return self.v_g if v_min_g is None else v_min_g

    def _load(self, load_g: float | None) -> float:
        return self.capacity_g if load_g is None else load_g


@dataclass(frozen=True, slots=True)
class Judgement:
    """A property against its limit, both in g; expanded_g: what scatter leaves open of it, 95 %."""

    name: str
    value_g: float
    limit_g: float
    expanded_g: float = 0.0

    @property
    def known(self) -> bool:
        """Whether it is known well enough to be judged."""
        return self.expanded_g <= self.limit_g

    @property
    def ok(self) -> bool:
        """Whether it is not beyond the limit for sure (rounding is no error)."""
        return abs(self.value_g) <= self.limit_g * (1 + 1e-9) + self.expanded_g


def judged(name: str, value: Measured, limit_g: float) -> Judgement:
    """An uncertain property against its limit, g."""
    return Judgement(name, value.value, limit_g, value.expanded)
