"""A leak that is set as a drip is set: until so much falls into the gate as is wanted.

What dries on the way and at the lip is as much as a small leak: of two alike, one drips all night
and the other never. So the gap is widened or narrowed until the night's mean is what was meant.
"""

from __future__ import annotations

from dataclasses import replace

from sim.record import caught_g
from sim.scenario import Scenario

_NIGHT_S = 86400.0
_NEAR, _TRIES = 0.15, 10


def delivering(night: Scenario, g_per_day: float) -> Scenario:
    """The night with its one leak such that g_per_day falls into its gate, mean from onset on.

    As near as it comes in some tries: within 15 % as a rule.
    """
    defect = night.defects[0]
    hours = (_NIGHT_S - defect.onset_s) / 3600
    wanted_g = g_per_day / 24 * hours
    rate, best = defect.rate_g_per_h, (float("inf"), night)
    low, high = 0.0, float("inf")
    for _ in range(_TRIES):
        leaking = replace(night, defects=(replace(defect, rate_g_per_h=rate),))
        falls_g = caught_g(leaking, defect.carb)
        best = min(best, (abs(falls_g - wanted_g), leaking), key=lambda tried: tried[0])
        if best[0] < _NEAR * wanted_g:
            break
        low, high = (rate, high) if falls_g < wanted_g else (low, rate)
        # What is missing, on top: drying takes its share whatever the rate.
        rate = max(rate + (wanted_g - falls_g) / (hours * defect.caught), 0.0)
        if not low < rate < high:
            rate = (low + high) / 2
    return best[1]
