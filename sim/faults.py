"""What can be wrong with a rack or its plumbing, as data."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

from sim.course import Course


class Kind(StrEnum):
    """Where the fuel gets out, or does not get in."""

    NEEDLE_OPEN = "needle held open"
    NEEDLE_WEEP = "needle weeps when closed"
    NEEDLE_SHUT = "needle stuck shut"
    TUBE_CRACK = "overflow tube cracked"
    BOWL_JOINT = "bowl joint weeps"
    RAIL_JOINT = "rail joint weeps"
    HOSE = "bench hose leaks"


@dataclass(frozen=True, slots=True)
class Defect:
    """One defect of the bench.

    carb: counted from 1 (0: none, the bench hose); rate_g_per_h: at nominal head and 20 °C;
    onset_s: when it starts; depth_mm: below the shut-off level, for cracks and joints;
    patch_mm2: surface the fuel wets before it drips; caught: share of its drops that pass the gate;
    course: how the rate changes.
    """

    kind: Kind
    carb: int
    rate_g_per_h: float = 0.0
    onset_s: float = 0.0
    depth_mm: float = 15.0
    patch_mm2: float = 20.0
    caught: float = 1.0
    course: Course = field(default_factory=Course)

    def now(self, t_s: float) -> Defect:
        """The defect with its rate at a time."""
        if not self.course.at_s:
            return self
        return replace(self, rate_g_per_h=self.rate_g_per_h * self.course.at(t_s))
