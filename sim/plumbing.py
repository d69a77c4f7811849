"""Hydraulics of the bench: what flows from the bottle through hose and needles into the bowls."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.blend import thinning
from sim.faults import Defect, Kind
from soakmon.physics.geometry import BenchGeometry

_CLOSES_MM, _LIFT_MM = 0.02, 2.0
_LEAST_LIFT = 0.06
_NOMINAL_HEAD_MM = 400.0
_HOSE_G_PER_S = 2.5
_NEEDLE_G_PER_S = 0.9
_BOTTLE_MM2 = 5000.0


@dataclass(slots=True)
class Needle:
    """A float needle: feeding or not, and how far the level falls before it opens again (mm).

    The float lifts the needle in proportion to how low the level is; friction in the seat keeps it
    shut for the first `sticks_mm`, so a bowl is topped up in sips.
    """

    sticks_mm: float
    feeding: bool = True

    def flow_g_per_s(
        self, level_mm: float, head: float, defects: list[Defect], temp_c: float
    ) -> float:
        """Flow in g/s at a level relative to shut-off; head is relative to nominal.

        What a worn seat lets by creeps (laminar); what a needle held open lets by is a jet.
        """
        root = math.sqrt(max(head, 0.0))
        flow = 0.0
        for defect in defects:
            if defect.kind is Kind.NEEDLE_SHUT:
                return 0.0
            if defect.kind is Kind.NEEDLE_OPEN:
                flow = max(flow, defect.rate_g_per_h / 3600 * root)
            if defect.kind is Kind.NEEDLE_WEEP:
                flow = max(flow, defect.rate_g_per_h / 3600 * head * thinning(temp_c))
        if level_mm >= -_CLOSES_MM:
            self.feeding = False
        elif level_mm < -self.sticks_mm:
            self.feeding = True
        if self.feeding:
            lift = min(max(-level_mm / _LIFT_MM, _LEAST_LIFT), 1.0)
            flow = max(flow, _NEEDLE_G_PER_S * lift * root)
        return flow


def head_of(geometry: BenchGeometry, bottle_ml: float) -> float:
    """Head at the needles relative to nominal, with the bottle emptying."""
    fallen_mm = (geometry.bottle.fill_ml - bottle_ml) * 1e3 / _BOTTLE_MM2
    return max(geometry.head_mm - fallen_mm, 0.0) / _NOMINAL_HEAD_MM


def hose_flow_g_per_s(head: float) -> float:
    """The most the hose lets through, g/s."""
    return _HOSE_G_PER_S * math.sqrt(head)


def escape_g_per_s(defect: Defect, level_mm: float, head: float, temp_c: float) -> float:
    """Flow out of a joint, crack or hose, g/s.

    All of these gaps pass laminar flow, in proportion to head over viscosity: a slit 4 mm high that
    leaks 1 to 500 g a day is 10 to 70 µm wide (Poiseuille, wall of 0.5 mm). A crack in an overflow
    tube ends at its own height, and both head and wet length of it grow with the level.
    """
    nominal = defect.rate_g_per_h / 3600
    if defect.kind is Kind.BOWL_JOINT:
        return nominal * max(level_mm + defect.depth_mm, 0.0) / defect.depth_mm * thinning(temp_c)
    if defect.kind is Kind.TUBE_CRACK:
        above = max((level_mm + defect.depth_mm) / defect.depth_mm, 0.0)
        return nominal * above**2 * thinning(temp_c)
    if defect.kind in {Kind.RAIL_JOINT, Kind.HOSE}:
        return nominal * head * thinning(temp_c)
    return 0.0
