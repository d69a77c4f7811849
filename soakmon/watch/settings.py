"""What the decider needs to know before a soak: geometry, fuel, priors, criterion and budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from soakmon.physics.fuels import FUELS, Fuel
from soakmon.physics.geometry import BenchGeometry
from soakmon.watch.past import Past, PastSoak, learnt
from soakmon.watch.verdict import Cause

# Of a blank run's departure the bowls share some, more or less (judgement).
_SHARED, _BOWLS_DEPART = 0.3, 0.3
# Chance that the expected evaporation is wrong by a factor: another fuel, another vent, a draught.
# A blank run has measured the first and the last of these on the night's own bottle.
_DOUBT, _DOUBT_AFTER_BLANK = 0.16, 0.001
# Of fuel and draught, in the loss of the bottle (judgement).
_NIGHT_REL_SD = 0.1


@dataclass(frozen=True, slots=True)
class Priors:
    """Beliefs before the run.

    bottle_rel_sd, hose_rel_sd, bowls_rel_sd: relative standard uncertainty of each part of the
    evaporation. blank_scale (measured over expected loss of bottle and hose) and blank_rel_sd
    replace the first two after a blank run (None: no blank run). dark_per_h: expected dark counts
    per gate and hour. zero_g_per_c: sd of the cell's zero shift with temperature. sip_g: largest
    plausible single sip of a float needle. past: what past tight soaks of this bench say.
    """

    bottle_rel_sd: float = 0.15
    hose_rel_sd: float = 0.25
    bowls_rel_sd: float = 0.15
    blank_scale: float | None = None
    blank_rel_sd: float = 0.05
    dark_per_h: float = 0.02
    zero_g_per_c: float = 0.1
    sip_g: float = 0.6
    past: Past = field(default_factory=Past)

    @property
    def scales(self) -> tuple[float, float]:
        """Factors on the expected loss of bottle with hose, and of the bowls.

        Fuel and draught that a blank run met are the bowls' too: about a third of what moves a
        bottle's loss moves theirs as well (judgement).
        """
        blank = self.blank_scale or 1.0
        return blank * self.past.scale, blank**_SHARED * self.past.scale

    @property
    def rel_sds(self) -> tuple[float, float]:
        """Relative sd of the loss of bottle with hose, and of the bowls.

        The bowls' is wider, the further a blank run was from the expected.
        """
        narrows = self.past.narrows
        if not self.blank_scale:
            feed = math.hypot(self.bottle_rel_sd, _NIGHT_REL_SD)
            return narrows * feed, narrows * self.bowls_rel_sd
        departs = _BOWLS_DEPART * abs(math.log(self.blank_scale))
        return narrows * self.blank_rel_sd, narrows * math.hypot(self.bowls_rel_sd, departs)

    @property
    def doubt(self) -> float:
        """Chance that the expected evaporation is wrong by a factor."""
        return self.past.doubt * (_DOUBT_AFTER_BLANK if self.blank_scale else _DOUBT)

    def taught_by(self, soaks: Sequence[PastSoak]) -> Past:
        """What soaks (the latest first) teach a bench of these priors."""
        return learnt(soaks, self.scales, self.rel_sds, self.doubt)


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
