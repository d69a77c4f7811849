"""The bench and the rack as the physics sees them: sizes that decide what evaporates and drips.

Plain values in millimetres, millilitres and grams; no behaviour beyond simple derived areas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Vent:
    """A round vent passage through which vapour diffuses to the room.

    bore_mm: inner diameter; length_mm: passage length from the vapour space to the open air.
    """

    bore_mm: float
    length_mm: float

    @property
    def area_m2(self) -> float:
        """Cross-section in m²."""
        return math.pi * (self.bore_mm * 1e-3) ** 2 / 4


@dataclass(frozen=True, slots=True)
class Bottle:
    """The fuel bottle on the load cell: capacity_ml brim to base, fill_ml of fuel at the start."""

    capacity_ml: float = 600.0
    fill_ml: float = 450.0
    vent: Vent = field(default_factory=lambda: Vent(bore_mm=3.0, length_mm=40.0))


@dataclass(frozen=True, slots=True)
class Hose:
    """The rubber feed hose.

    permeation_g_per_m2_day: rating per inner wall for the fuel in use, at 22.8 °C (73 °F).
    """

    bore_mm: float = 6.0
    length_mm: float = 300.0
    permeation_g_per_m2_day: float = 122.0

    @property
    def inner_area_m2(self) -> float:
        """Inner wall area in m²."""
        return math.pi * self.bore_mm * self.length_mm * 1e-6

    @property
    def volume_ml(self) -> float:
        """Fuel held in the hose in ml."""
        return math.pi * (self.bore_mm * 0.1) ** 2 / 4 * self.length_mm * 0.1


@dataclass(frozen=True, slots=True)
class Bowl:
    """One float bowl.

    volume_ml: fuel at the float level; area_mm2: free fuel surface; headroom_mm: from the float
    level up to the overflow lip; lip_radius_mm: outer radius of the lip a drop hangs from.
    """

    volume_ml: float = 40.0
    area_mm2: float = 1200.0
    headroom_mm: float = 6.0
    lip_radius_mm: float = 1.5
    vent: Vent = field(default_factory=lambda: Vent(bore_mm=6.0, length_mm=60.0))


@dataclass(frozen=True, slots=True)
class BenchGeometry:
    """Bottle, hose and the bowls of the rack (0 to 8); head_mm is fuel level above the needles."""

    bottle: Bottle = field(default_factory=Bottle)
    hose: Hose = field(default_factory=Hose)
    bowls: tuple[Bowl, ...] = field(default_factory=lambda: (Bowl(),) * 4)
    head_mm: float = 400.0
