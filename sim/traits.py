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
    make 0.1 g in ten minutes and 0.22 g in an hour. warm_up_g, warm_up_s: what it is off when the
    power comes on, also after a cut (0.3 g in six minutes is seen). humidity_g, humidity_s: half
    swing and period of what damp does (no published figure for such cells: judgement).
    backlash_c: play between temperature and zero (hysteresis). hose_g_per_c: pull of the hose,
    which stiffens in the cold.
    """

    zero_g_per_c: float = 0.0
    creep_g: float = 0.0
    creep_s: float = 1100.0
    recovers: float = 0.86
    span: float = 1.0
    returns_g: float = 0.0
    returns_s: float = 7200.0
    warm_up_g: float = 0.0
    warm_up_s: float = 360.0
    humidity_g: float = 0.0
    humidity_s: float = 86400.0
    backlash_c: float = 0.0
    hose_g_per_c: float = 0.0


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


@dataclass(frozen=True, slots=True)
class Fill:
    """How the rack is filled.

    opens_s: when the valve opens; flow: share of what the hose lets through otherwise (a kink, a
    clogged filter); blocked_s: (from, to) nothing comes although it is open (a tap, an air lock).
    """

    opens_s: float = 600.0
    flow: float = 1.0
    blocked_s: tuple[tuple[float, float], ...] = ()

    def share(self, t_s: float) -> float:
        """Share of the hose's flow at a time."""
        blocked = any(from_s - 1e-6 <= t_s < to_s - 1e-6 for from_s, to_s in self.blocked_s)
        return 0.0 if blocked else self.flow


@dataclass(frozen=True, slots=True)
class Soaking:
    """Floats that take fuel: grams each in the end, time constant in s."""

    grams: float = 0.0
    lasts_s: float = 20_000.0


@dataclass(frozen=True, slots=True)
class Air:
    """What the thermometer shows beside the shop's air.

    bias_c: it hangs at a warm wall; draughts: (t_s, °C, s) a door opens, and how fast it passes.
    """

    bias_c: float = 0.0
    draughts: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Visit:
    """Somebody at the bench: t_s, lasts_s; shake_g: sd of the reading meanwhile; push_g: its mean;
    leaves_g: what it is off from then on.
    """

    t_s: float
    lasts_s: float
    shake_g: float
    push_g: float = 0.0
    leaves_g: float = 0.0
