"""What an owner can tell of his bench, as expected losses and how far specimens spread about them.

Spreads are standard deviations of the natural logarithm, over benches of which no more is known. No
source gives them as such: they are judged from the published values beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from soakmon.physics.belief import judgement
from soakmon.physics.fuels import Fuel
from soakmon.physics.permeation import ethanol_factor


class HoseKind(StrEnum):
    """What is printed on the hose."""

    ORDINARY = "ordinary"
    LOW = "low_permeation"
    CLEAR = "clear"
    UNKNOWN = "unknown"


class Ethanol(StrEnum):
    """What the pump said."""

    NONE = "e0"
    E5 = "e5"
    E10 = "e10"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class HoseBelief:
    """What such a hose lets through, g/m² a day at 23 °C by inner area, and its spread.

    low: chance that it is one of low permeation all the same.
    """

    g_per_m2_day: float
    log_sd: float
    low: float = 0.0


# Rated without ethanol. SAE 30R6 and R7: limit 600 g/m² a day (nozzle maker's note, 2015), EPA's
# NONROAD for uncontrolled motorcycle hose 450, for small engines 122. Fuel tube without a marking
# may be plain PVC (100 to 500, from memory) or barrier tube (5 to 15, US 8 092 881).
# Of a hose that nobody looked at, one in five is taken to be tube and one in ten low permeation
# (judgement); of a low one the wall loses next to nothing.
# Low permeation (SAE 30R9, -15, EPA marks): limit 15 g/m² a day on fuel with ethanol (13 CCR 2754),
# and NONROAD takes a quarter to a half of that.
LOW_HOSE_CHANCE = judgement(0.1, "chance")
_HOSES = {
    HoseKind.ORDINARY: HoseBelief(judgement(300.0, "g/m²/day"), judgement(0.6, "log. sd")),
    HoseKind.LOW: HoseBelief(judgement(6.0, "g/m²/day"), judgement(0.7, "log. sd")),
    HoseKind.CLEAR: HoseBelief(judgement(250.0, "g/m²/day"), judgement(0.9, "log. sd")),
    HoseKind.UNKNOWN: HoseBelief(
        judgement(290.0, "g/m²/day"), judgement(0.7, "log. sd"), LOW_HOSE_CHANCE
    ),
}
# NONROAD's multiplier for 10 % of ethanol is 1.82, and 1.62 for 5 %; about as good as this.
_ETHANOL_LOG_SD = judgement(0.15, "log. sd")
_BY_VOLUME = {Ethanol.NONE: 0.0, Ethanol.E5: 0.05, Ethanol.E10: 0.10}
# What the owner does not know is E5 or E10 at most pumps, and none in a can for small engines.
_UNTOLD_FACTOR = judgement(1.5, "times")
_UNTOLD_LOG_SD = judgement(0.25, "log. sd")

# Diffusivity 10 %, vapour pressure within its class 10 %, bore and length of the vent 10 %, draught
# 15 % (judgement), each of one specimen.
BOTTLE_LOG_SD = judgement(0.25, "log. sd")
# Vents that point down, overflow pipes as a second opening through which heavy vapour runs out
# (8 g/day by Poiseuille for 2 mm of bore, never measured): 0.5 unless measured, and with the
# overflow pipes plugged nothing runs out. Bowls whose sizes nobody told: 0.2; draught: 0.15.
BOWLS_SCALE = judgement(1.2, "times")
BOWLS_LOG_SD = judgement(0.56, "log. sd")
MEASURED_BOWLS_SCALE = judgement(1.0, "times")
# Vents known to 0.3, draught at them to 0.15, sizes as read to 0.1.
MEASURED_BOWLS_LOG_SD = judgement(0.35, "log. sd")
# Chance that the expectation as a whole is wrong by a factor (judgement).
DOUBT = judgement(0.05, "chance")
DOUBT_MEASURED = judgement(0.01, "chance")
# And by how much then: a vent that is capped or stands open, another fuel, a draught (judgement).
WRONG_LOG_SD = judgement(0.7, "log. sd")
# A hose whose rating on the fuel at hand is known: specimens of one class.
RATED_HOSE_LOG_SD = judgement(0.6, "log. sd")
# Fresh fuel within its class; a can of unknown age, of summer's petrol 50 kPa in the middle: bought
# petrol was found at 38 kPa (Zhu 2012), and a tenth of ethanol adds 7 (NREL 2012).
FRESH_FUEL_LOG_SD = judgement(0.08, "log. sd")
OLD_FUEL_SCALE = judgement(0.9, "times")
OLD_FUEL_LOG_SD = judgement(0.2, "log. sd")


def of_unknown_age(petrol: Fuel) -> Fuel:
    """Pump petrol as it is in a can that nobody remembers filling."""
    return replace(petrol, rvp_kpa=OLD_FUEL_SCALE * petrol.rvp_kpa)


def hose_belief(kind: HoseKind, ethanol: Ethanol) -> HoseBelief:
    """What to expect of a hose of this kind with such fuel in it."""
    rated = _HOSES[kind]
    if kind is HoseKind.LOW or ethanol is Ethanol.NONE:
        return rated
    if ethanol is Ethanol.UNKNOWN:
        factor, log_sd = _UNTOLD_FACTOR, _UNTOLD_LOG_SD
    else:
        factor, log_sd = ethanol_factor(_BY_VOLUME[ethanol]), _ETHANOL_LOG_SD
    spread = (rated.log_sd**2 + log_sd**2) ** 0.5
    return HoseBelief(round(rated.g_per_m2_day * factor, 1), round(spread, 3), rated.low)


UNTOLD_HOSE = hose_belief(HoseKind.UNKNOWN, Ethanol.UNKNOWN)
