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
    """Spread of the drops' mass on a logarithmic scale.

    between: from lip to lip (0.2 over 32 designs of dropper, Moore, BMC Ophthalmol. 17:78, 2017);
    within: from drop to drop of one lip (0.02 to 0.11 over 19 eye-drop bottles).
    lost: share of the drops that a gate does not see.
    """

    between: float = 0.1
    within: float = 0.06
    lost: float = 0.0
