"""A scenario: what is on the bench, what is wrong with it, and what happens in the night."""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.faults import Defect
from sim.traits import (
    Air,
    CellSpecimen,
    DropTraits,
    Factors,
    Fill,
    GateTraits,
    Misses,
    Soaking,
    Visit,
)
from sim.weather import Climate
from soakmon.physics.fuels import FUELS, Fuel
from soakmon.physics.geometry import BenchGeometry


@dataclass(frozen=True, slots=True)
class CellTraits:
    """How the load cell misbehaves.

    noise_g: white, each reading at 1 Hz; wander_g: random walk over an hour; zero_g_per_c: sd of
    the zero's shift with temperature; lag_s: how late it follows the air; creep_g: sd of the creep
    after loading; spikes: share of readings that are spikes; quantum_g: step of the reading.
    specimen: zero and creep of one cell as they are (None: drawn from the above). bad_words: share
    of readings that are 2^n - 1 counts (1 to 5 % where the converter is clocked from Python,
    bogde/HX711 issue 83); raw: readings that no driver would take for a mass are handed on.
    """

    noise_g: float = 0.03
    wander_g: float = 0.02
    zero_g_per_c: float = 0.04
    lag_s: float = 1500.0
    creep_g: float = 0.06
    spikes: float = 0.001
    quantum_g: float = 0.001
    specimen: CellSpecimen | None = None
    bad_words: float = 0.0
    raw: bool = False


@dataclass(frozen=True, slots=True)
class Happenings:
    """What comes from outside, times in s.

    knocks_per_h: bangs that shake the cell and every gate; bumps_s: times of a push that shifts
    the reading; refill_s, refill_g; freeze_s: the cell repeats itself from then on; gap_s: (from,
    to) nothing recorded; sun_s: (from, to) sun flickers on gate `sun_gate`; stuck_gate: gives no
    signal from stuck_s on; visits: people, or a cat.
    """

    knocks_per_h: float = 0.05
    bumps_s: tuple[float, ...] = ()
    refill_s: float | None = None
    refill_g: float = 0.0
    freeze_s: float | None = None
    gap_s: tuple[float, float] | None = None
    sun_s: tuple[float, float] | None = None
    sun_gate: int = 0
    stuck_gate: int = 0
    stuck_s: float = 0.0
    visits: tuple[Visit, ...] = ()


@dataclass(frozen=True, slots=True)
class Scenario:
    """A soak to rehearse: name, seed and ground truth.

    outcomes: verdicts that are right; carbs: leaking carburettors; cause: as the verdict names it.
    evaporation and draught multiply the honest loss; filled_ml: what is in the bottle; sticks_mm:
    how far a level falls before its needle opens again, from and to; factors: what the parts of
    this very bench lose over their drawing (None: drawn). lip_dries_g_per_h: what a drop that hangs
    at a lip loses (of 13 mg in still air: 0.11 fresh, 0.045 weathered, by diffusion and heat
    balance). runs_out_l_per_day: vapour that runs out between two openings of each bowl (0.92 g/L;
    at most 9 by Poiseuille with a pipe of 2 mm, 41 with 3 mm; never measured: a rack with its
    overflow pipes open, then plugged, tells).
    """

    name: str
    about: str
    seed: int
    outcomes: frozenset[str]
    defects: tuple[Defect, ...] = ()
    carbs: tuple[int, ...] = ()
    cause: str = "no_leak"
    geometry: BenchGeometry = field(default_factory=BenchGeometry)
    fuel: Fuel = field(default_factory=lambda: FUELS["petrol_a"])
    blend: str = "petrol_a"
    filled_ml: float = 450.0
    climate: Climate = field(default_factory=Climate)
    evaporation: float = 1.0
    draught: float = 1.0
    cell: CellTraits = field(default_factory=CellTraits)
    happenings: Happenings = field(default_factory=Happenings)
    dark_per_h: float = 0.02
    sticks_mm: tuple[float, float] = (0.05, 0.3)
    factors: Factors | None = None
    drops: DropTraits = field(default_factory=DropTraits)
    misses: Misses = field(default_factory=Misses)
    gates: GateTraits = field(default_factory=GateTraits)
    fill: Fill = field(default_factory=Fill)
    soaking: Soaking = field(default_factory=Soaking)
    air: Air = field(default_factory=Air)
    lip_dries_g_per_h: float = 0.0
    runs_out_l_per_day: float = 0.0
