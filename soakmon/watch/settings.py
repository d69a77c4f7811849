"""What the decider needs to know before a soak: geometry, fuel, priors, criterion and budget."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from soakmon.physics.fuels import FUELS, Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.verdict import Cause

# Of a blank run's departure the bowls share some, more or less (judgement).
_SHARED, _BOWLS_DEPART = 0.3, 0.3


@dataclass(frozen=True, slots=True)
class Priors:
    """Beliefs before the run.

    bottle_rel_sd, hose_rel_sd, bowls_rel_sd: relative standard uncertainty of each part of the
    evaporation. blank_scale (measured over expected loss of bottle and hose) and blank_rel_sd
    replace the first two after a blank run (None: no blank run). dark_per_h: expected dark counts
    per gate and hour. zero_g_per_c: sd of the cell's zero shift with temperature. sip_g: largest
    plausible single sip of a float needle.
    """

    bottle_rel_sd: float = 0.15
    hose_rel_sd: float = 0.25
    bowls_rel_sd: float = 0.15
    blank_scale: float | None = None
    blank_rel_sd: float = 0.05
    dark_per_h: float = 0.02
    zero_g_per_c: float = 0.1
    sip_g: float = 0.6

    @property
    def bowls_scale(self) -> float:
        """Factor on the bowls' expected loss: fuel and draught that a blank run met are theirs too.

        About a third of what moves a bottle's loss moves the bowls' as well: judgement.
        """
        return self.blank_scale**_SHARED if self.blank_scale else 1.0

    @property
    def bowls_after_blank_rel_sd(self) -> float:
        """Relative sd of the bowls' loss: wider, the further a blank run was from the expected."""
        if not self.blank_scale:
            return self.bowls_rel_sd
        departs = _BOWLS_DEPART * abs(math.log(self.blank_scale))
        return math.hypot(self.bowls_rel_sd, departs)


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the decider is told.

    criterion_g_per_day: a tight rack loses less. false_alarm: budget of the whole soak.
    settle_s: from the end of filling to the start of the soak's clock.
    cause_shift: factors on the prior odds of causes, by carb (from 1), from the job record.
    """

    geometry: BenchGeometry = field(default_factory=BenchGeometry)
    fuel: Fuel = field(default_factory=lambda: FUELS["petrol_a"])
    priors: Priors = field(default_factory=Priors)
    criterion_g_per_day: float = 2.0
    false_alarm: float = 0.01
    settle_s: float = 1800.0
    cause_shift: Mapping[int, Mapping[Cause, float]] = field(default_factory=dict)
