"""What the decider needs to know before a soak: geometry, fuel, priors, criterion and budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from soakmon.physics.belief import judgement, published
from soakmon.physics.described import (
    BOTTLE_LOG_SD,
    BOWLS_LOG_SD,
    BOWLS_SCALE,
    DOUBT,
    FRESH_FUEL_LOG_SD,
    LOW_HOSE_CHANCE,
    OLD_FUEL_LOG_SD,
    UNTOLD_HOSE,
    of_unknown_age,
)
from soakmon.physics.diffusion import vent_steepness
from soakmon.physics.expectation import EvaporationRates, evaporation_rates
from soakmon.physics.fuels import FUELS, Fuel
from soakmon.physics.geometry import BenchGeometry, Hose
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.watch.fleet_prior import FleetPrior, pooled
from soakmon.watch.needles import LARGEST_SIP_G
from soakmon.watch.past import Past, PastSoak, learnt
from soakmon.watch.verdict import Cause

# A shop of which no temperature is known.
REFERENCE_C = judgement(20.0, "°C")
# By how many per cent vents lose more when the vapour pressure of usual petrol is 1 % higher.
_STEEP = vent_steepness(FUELS["petrol_a"], REFERENCE_C)
_STOOD_STEEP = vent_steepness(of_unknown_age(FUELS["petrol_a"]), REFERENCE_C)
# Of a blank run's departure the bowls share what fuel and draught have in it, which is little
# beside what a hose is unknown by; more or less (judgement; 0.07 over blind benches).
_SHARED = judgement(0.1, "share")
_BOWLS_DEPART = judgement(0.3, "share")


@dataclass(frozen=True, slots=True)
class Priors:
    """Beliefs before the run; the defaults are of a bench of which nothing has been told.

    bottle_rel_sd, hose_rel_sd, bowls_rel_sd: spread of each part of the evaporation on a
    logarithmic scale, and vapour_rel_sd what an uncertain vapour pressure does to the loss of
    bottle and bowls alike.
    low_hose: chance that the hose is one of low permeation.
    unsteady_rel_sd: how far the rate strays for some hours, by draughts and doors (judgement).
    bowls_scale: what bowls lose, over diffusion through their vents. blank_scale (measured over
    expected loss of bottle and hose) and blank_rel_sd replace the first two after a blank run
    (None: no blank run). doubt: chance that all of it is wrong by a factor, for another vent,
    another fuel or a draught. dark_per_h: expected dark counts per gate and hour. zero_g_per_c: sd
    of the cell's zero shift with temperature. sip_g: largest plausible single sip of a float
    needle. past: what past tight soaks of this bench say; fleet: what those of other benches do.
    """

    bottle_rel_sd: float = BOTTLE_LOG_SD
    hose_rel_sd: float = UNTOLD_HOSE.log_sd
    bowls_rel_sd: float = BOWLS_LOG_SD
    vapour_rel_sd: float = _STOOD_STEEP * OLD_FUEL_LOG_SD
    low_hose: float = LOW_HOSE_CHANCE
    unsteady_rel_sd: float = judgement(0.35, "log. sd")
    bowls_scale: float = BOWLS_SCALE
    blank_scale: float | None = None
    blank_rel_sd: float = judgement(0.05, "log. sd")
    doubt: float = DOUBT
    dark_per_h: float = judgement(0.02, "1/h")
    zero_g_per_c: float = published(0.1, "g/°C")
    sip_g: float = LARGEST_SIP_G
    past: Past = field(default_factory=Past)
    fleet: FleetPrior = field(default_factory=FleetPrior)

    @property
    def scales(self) -> tuple[float, float]:
        """Factors on the expected loss of bottle with hose, and of the bowls.

        Fuel and draught that a blank run met are the bowls' too, but the hose moved it more.
        """
        blank = self.blank_scale or 1.0
        return blank * self.past.scale, self.bowls_scale * blank**_SHARED * self.past.scale

    @property
    def rel_sds(self) -> tuple[float, float]:
        """Spread of the loss of bottle with hose, and of the bowls, on a logarithmic scale.

        The bowls' is wider, the further a blank run was from the expected.
        """
        narrows = self.past.narrows
        departs = _BOWLS_DEPART * abs(math.log(self.blank_scale or 1.0))
        bowls = math.hypot(self.bowls_rel_sd, self.vapour_rel_sd, departs)
        feed = self.blank_rel_sd if self.blank_scale else self.hose_rel_sd
        return narrows * feed, narrows * bowls

    @property
    def doubted(self) -> float:
        """Chance that the expected evaporation is wrong by a factor, with what past soaks say."""
        return self.past.doubt * self.doubt

    def taught_by(self, soaks: Sequence[PastSoak]) -> Past:
        """What soaks (the latest first) teach a bench of these priors."""
        return learnt(soaks, self.scales, self.rel_sds, self.doubted)

    def taught_by_others(self, benches: Sequence[Sequence[PastSoak]]) -> FleetPrior:
        """What the soaks of other benches of its kind teach a bench of these priors.

        Nothing after a blank run, or where its own soaks have told: both know this very bench.
        """
        if self.blank_scale or self.past.soaks:
            return FleetPrior()
        return pooled(benches, self.scales, self.rel_sds, self.doubted)


# A bench that is as its description says: a hose rated on this fuel, vents that were measured and
# stand as drawn, fresh fuel of its class.
DESCRIBED = Priors(
    bottle_rel_sd=judgement(0.18, "log. sd"),
    hose_rel_sd=judgement(0.25, "log. sd"),
    bowls_rel_sd=judgement(0.13, "log. sd"),
    vapour_rel_sd=_STEEP * FRESH_FUEL_LOG_SD,
    low_hose=0.0,
    unsteady_rel_sd=judgement(0.1, "log. sd"),
    bowls_scale=1.0,
    doubt=judgement(0.03, "chance"),
)
# A blank run has met fuel and draught on the night's own bottle.
_DOUBT_AFTER_BLANK = judgement(0.001, "chance")


def described(blank_scale: float, blank_rel_sd: float = DESCRIBED.blank_rel_sd) -> Priors:
    """Beliefs of a bench that is as described, after a blank run."""
    return replace(
        DESCRIBED, blank_scale=blank_scale, blank_rel_sd=blank_rel_sd, doubt=_DOUBT_AFTER_BLANK
    )


def _untold() -> BenchGeometry:
    """A bench of common sizes, with a hose that nobody has told of."""
    return BenchGeometry(hose=Hose(permeation_g_per_m2_day=UNTOLD_HOSE.g_per_m2_day))


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the decider is told.

    criterion_g_per_day: a tight rack loses less. false_alarm: budget of the whole soak.
    settle_s: from the end of filling to the start of the soak's clock.
    cause_shift: factors on the prior odds of causes, by carb (from 1), from the job record.
    bowls_measured: whether the bowls' volumes are this rack's own: else a fill that is short says
    as little about a needle as about the description. rack_full: somebody says that the rack is
    full already, so that no fill is waited for.
    """

    geometry: BenchGeometry = field(default_factory=_untold)
    fuel: Fuel = field(default_factory=lambda: of_unknown_age(FUELS["petrol_a"]))
    priors: Priors = field(default_factory=Priors)
    criterion_g_per_day: float = judgement(2.0, "g/day")
    false_alarm: float = judgement(0.01, "chance")
    settle_s: float = judgement(1800.0, "s")
    cause_shift: Mapping[int, Mapping[Cause, float]] = field(default_factory=dict)
    bowls_measured: bool = False
    rack_full: bool = False

    @property
    def bowl_g(self) -> float:
        """Fuel that a bowl holds, as a mean of all, g."""
        volumes_ml = [bowl.volume_ml for bowl in self.geometry.bowls]
        return self._g_per_ml * float(np.mean(volumes_ml or [0.0]))

    @property
    def rack_g(self) -> float:
        """Fuel that all bowls hold, g."""
        return self._g_per_ml * sum(bowl.volume_ml for bowl in self.geometry.bowls)

    @property
    def hose_g(self) -> float:
        """Fuel that the hose holds, g."""
        return self._g_per_ml * self.geometry.hose.volume_ml

    @property
    def _g_per_ml(self) -> float:
        return float(density_kg_per_m3(self.fuel, REFERENCE_C)) * 1e-3

    @property
    def reference(self) -> EvaporationRates:
        """What the physics expects of each part at `REFERENCE_C`, g/h."""
        return evaporation_rates(self.geometry, self.fuel, REFERENCE_C)
