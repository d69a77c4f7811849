"""The verdict in plain sentences, the same in terminal and report."""

from __future__ import annotations

import math
from collections.abc import Sequence

from soakmon.watch.figures import BY_MINUTE_G_PER_H, at_most, between, places_of, rate
from soakmon.watch.verdict import Band, Cause, Outcome, Suspect, Verdict

HEADINGS = {
    Outcome.TIGHT: "TIGHT: no leak found",
    Outcome.LEAKING: "LEAKING",
    Outcome.NOT_PROVEN: "NOT PROVEN",
}
CAUSES = {
    Cause.NEEDLE_STUCK_OPEN: "needle and seat stuck open",
    Cause.NEEDLE_WEEP: "needle and seat weeping",
    Cause.OVERFLOW_TUBE_CRACK: "overflow tube cracked",
    Cause.BOWL_JOINT_WEEP: "bowl gasket or drain plug weeping",
    Cause.RAIL_JOINT_WEEP: "fuel rail joint weeping",
    Cause.NEEDLE_STUCK_SHUT: "needle stuck shut",
    Cause.BENCH_PLUMBING_LEAK: "the bench's own hose or valve leaking",
    Cause.NO_LEAK: "no leak",
}

# What was done about each kind of disturbance or fault.
TREATED = {
    "bump": "not counted as loss or as drops",
    "refill": "the fuel added is not counted against the loss",
    "bottle_empty": "what came after is not judged by mass",
    "cell_frozen": "readings that stand still were not used",
    "cell_noise": "readings were given less weight",
    "gate_stuck": "its counts say nothing for or against a leak",
    "gate_noise": "its counts were weighed as noise",
    "gap": "bridged, with more uncertainty about the loss meanwhile",
    "temperature_missing": "the expected evaporation is less certain",
}


def grams(value: float) -> str:
    """Grams with the digits that mean something; what rounds to nothing has no sign."""
    places = 1 if abs(value) >= 10 else 2
    return f"{round(value, places) + 0.0:.{places}f} g"


def loss(verdict: Verdict) -> str:
    """What was lost against what was expected, since the bowls had filled and settled."""
    expected = verdict.expected_evaporation_g
    band = f"{grams(expected.low)} to {grams(expected.high)} (best {grams(expected.best)})"
    if expected.high == 0:
        return "cannot be told: the run ended before the bowls were full and the soak's clock began"
    if verdict.observed_loss_g is None:
        return f"loss unknown; evaporation alone would take {band}"
    lost = f"{grams(verdict.observed_loss_g)} lost since the soak's clock started"
    return f"{lost}; evaporation alone explains {band}"


def leak(band: Band, outcome: Outcome) -> str:
    """The leak's rate with its interval, or its upper bound, in g/day; a flood's in g/min."""
    if outcome is Outcome.LEAKING:
        per, unit = (24, "g/day") if band.best < BY_MINUTE_G_PER_H else (1 / 60, "g/min")
        interval = between(per * band.low, per * band.high, places_of(per * band.best, 3))
        return f"{rate(band.best, 3)} (95 %: {interval} {unit})"
    if not telling(band.high):
        return "cannot be told from this run"
    return f"less than {at_most(24 * band.high)} g/day with 95 % confidence"


def telling(high_g_per_h: float) -> bool:
    """Whether a bound says anything: a run that could hide a flood says nothing of weeps."""
    return math.isfinite(high_g_per_h) and high_g_per_h < BY_MINUTE_G_PER_H


def in_short(verdict: Verdict) -> str:
    """What a soak has shown, in a few words: leaked about 8.4 g/day at carb 4."""
    if verdict.outcome is Outcome.LEAKING:
        places = [f"carb {leak.carb}" for leak in verdict.leaks if leak.carb]
        where = f" at {' and '.join(places)}" if places else ", no gate saw where"
        return f"leaked about {rate(verdict.leak_g_per_h.best)}{where}"
    if verdict.outcome is Outcome.TIGHT:
        day = at_most(24 * (verdict.smallest_provable_leak_g_per_h or 0.0))
        return f"tight below {day} g/day"
    return f"not proven: {verdict.reason}"


def tied(
    before: str, renewed: Sequence[str], renewed_before: Sequence[str], verdict: Verdict
) -> str:
    """The soak before, what was renewed since, and what this one shows: in one line."""
    if not before:
        return ""
    since = [part for part in renewed if part not in renewed_before]
    done = f"; renewed since: {', '.join(since)}" if since else ""
    return f"{before}{done}; now {in_short(verdict)}"


def smallest(verdict: Verdict) -> str:
    """The smallest leak this run could have proven."""
    found = verdict.smallest_provable_leak_g_per_h
    return "none: this run could prove nothing" if found is None else f"{at_most(24 * found)} g/day"


def provable(verdict: Verdict) -> str:
    """From which size on this run could have proven a leak."""
    if verdict.smallest_provable_leak_g_per_h is None:
        return "nothing: no leak however large could have been proven by mass"
    return f"a leak of {smallest(verdict)} or more"


def suspect(one: Suspect) -> str:
    """A suspect as: 63 %  carb 4: bowl gasket or drain plug weeping."""
    where = f"carb {one.carb}: " if one.carb else ""
    return f"{chance(one.probability)}  {where}{CAUSES[one.cause]}"


def suspects(verdict: Verdict, most: int | None = None) -> tuple[str, ...]:
    """The suspects, likeliest first; of a run that can tell nothing none has a chance."""
    if verdict.outcome is not Outcome.LEAKING and verdict.smallest_provable_leak_g_per_h is None:
        causes = [one for one in verdict.suspects if one.cause is Cause.NEEDLE_STUCK_SHUT]
        return tuple(CAUSES[one.cause] for one in causes) or ("cannot be told from this run",)
    return tuple(suspect(one) for one in verdict.suspects[:most])


def chance(probability: float) -> str:
    """A probability as a percentage; what is small is not called nothing."""
    return "< 1 %" if 0 < probability < 0.005 else f"{100 * probability:.0f} %"


def drops(verdict: Verdict) -> str:
    """Drops per carb in a line."""
    if not verdict.drops:
        return "no gates"
    told = ", ".join(f"carb {i}: {n}" for i, n in enumerate(verdict.drops, start=1))
    carbs = not_fuel(verdict)
    if not carbs:
        return told
    places = f"carb {' and '.join(map(str, carbs))}"
    return f"{told} (what was counted at {places} is not believed to be fuel)"


def not_fuel(verdict: Verdict) -> tuple[int, ...]:
    """Carbs whose gates counted what is not believed to be fuel, once that is decided."""
    if verdict.outcome is Outcome.NOT_PROVEN:
        return ()
    leaking = {leak.carb for leak in verdict.leaks} | {
        alarm.carb for alarm in verdict.alarms if alarm.leaks
    }
    counted = enumerate(verdict.drops, start=1)
    return tuple(carb for carb, count in counted if count and carb not in leaking)
