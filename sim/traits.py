"""What sets one bench apart from the drawing: small traits, each off until a scenario has it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Factors:
    """How much more than its drawing each part of this very bench loses to the air."""

    bottle: float = 1.0
    hose: float = 1.0
    bowls: float = 1.0


@dataclass(frozen=True, slots=True)
class CellSpecimen:
    """One load cell as it is, instead of one drawn from `CellTraits`.

    zero_g_per_c: shift of the zero (mounts of steel show 118 ppm of the capacity per K, so 0.24 g/K
    on a 2 kg cell; small cells' sheets 0.05 to 0.25). creep_g, creep_s: creep after loading and its
    time constant (65 cells: 30 over 60 minutes 0.84, so 18 minutes; NIST, PubMed 27805151);
    recovers: share of it that comes back (the same, 0.86). span: what it shows of a gram.
    returns_g, returns_s: sd and time constant of a wander that comes back: 0.25 g and two hours
    make 0.1 g in ten minutes and 0.22 g in an hour.
    """

    zero_g_per_c: float = 0.0
    creep_g: float = 0.0
    creep_s: float = 1100.0
    recovers: float = 0.86
    span: float = 1.0
    returns_g: float = 0.0
    returns_s: float = 7200.0


@dataclass(frozen=True, slots=True)
class DropTraits:
    """How drops form, on a logarithmic scale where spreads are meant.

    between: mass from lip to lip (0.2 over 32 designs of dropper, Moore, BMC Ophthalmol. 17:78,
    2017); within: from drop to drop of one lip (0.02 to 0.11 over 19 eye-drop bottles). uneven:
    spread of the intervals beyond that, up to 1 for drops at random: fuel that creeps along metal
    comes in surges, and the film between holds it.
    """

    between: float = 0.1
    within: float = 0.06
    uneven: float = 0.0


@dataclass(frozen=True, slots=True)
class Misses:
    """Drops that a gate does not see, by carb alike.

    share: of all drops (some run along the wall, some fall beside the beam: 0 to 0.45 are lost);
    spells_per_h, spell_s, in_spells: stretches in which it misses more (a fogged window).
    """

    share: float = 0.0
    spells_per_h: float = 0.0
    spell_s: float = 1800.0
    in_spells: float = 0.8


@dataclass(frozen=True, slots=True)
class GateTraits:
    """What a gate counts that is no drop, times per hour.

    satellites: share of drops with a small one behind (0.6 mm; it moves up first and comes 20 to
    60 ms late). mains_per_h: loads that switch and reach several gates within microseconds to
    milliseconds; shakes_per_h: steps on the floor, a lorry: several gates within seconds to a
    minute; lights_per_h: headlights, a lamp; insects_per_h: one that walks about in a beam.
    widths: whether it is recorded how long the beam was dark.
    """

    satellites: float = 0.0
    mains_per_h: float = 0.0
    shakes_per_h: float = 0.0
    lights_per_h: float = 0.0
    insects_per_h: float = 0.0
    widths: bool = False
