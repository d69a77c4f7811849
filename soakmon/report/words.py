"""The verdict in plain sentences, the same in terminal and report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from soakmon.texts import say
from soakmon.watch.figures import BY_MINUTE_G_PER_H, at_most, between, places_of, rate
from soakmon.watch.verdict import Band, Cause, Outcome, Suspect, Verdict

HEADINGS = {
    Outcome.TIGHT: say("words.tight_no_leak_found"),
    Outcome.LEAKING: say("words.leaking"),
    Outcome.NOT_PROVEN: say("words.not_proven"),
}
CAUSES = {
    Cause.NEEDLE_STUCK_OPEN: say("words.needle_seat_stuck_open"),
    Cause.NEEDLE_WEEP: say("words.needle_seat_weeping"),
    Cause.OVERFLOW_TUBE_CRACK: say("words.overflow_tube_cracked"),
    Cause.BOWL_JOINT_WEEP: say("words.bowl_gasket_drain_plug_weeping"),
    Cause.RAIL_JOINT_WEEP: say("words.fuel_rail_joint_weeping"),
    Cause.NEEDLE_STUCK_SHUT: say("words.needle_stuck_shut"),
    Cause.BENCH_PLUMBING_LEAK: say("words.bench_s_own_hose_valve"),
    Cause.NO_LEAK: say("words.no_leak"),
}

# What was done about each kind of disturbance or fault.
TREATED = {
    "bump": say("words.not_counted_as_loss_as"),
    "refill": say("words.fuel_added_not_counted_against"),
    "bottle_empty": say("words.what_came_after_not_judged"),
    "cell_frozen": say("words.readings_stand_still_were_not"),
    "cell_noise": say("words.readings_were_given_less_weight"),
    "gate_stuck": say("words.its_counts_say_nothing_against"),
    "gate_noise": say("words.its_counts_were_weighed_as"),
    "gap": say("words.bridged_more_uncertainty_about_loss"),
    "temperature_missing": say("words.expected_evaporation_less_certain"),
}


def grams(value: float) -> str:
    """Grams with the digits that mean something; what rounds to nothing has no sign."""
    places = 1 if abs(value) >= 10 else 2
    return f"{round(value, places) + 0.0:.{places}f} g"


def loss(verdict: Verdict) -> str:
    """What was lost against what was expected, since the bowls had filled and settled."""
    expected = verdict.expected_evaporation_g
    band = say(
        "words.best",
        expected=grams(expected.low),
        expected2=grams(expected.high),
        expected3=grams(expected.best),
    )
    if expected.high == 0:
        return say("words.cannot_told_run_ended_before")
    if verdict.observed_loss_g is None:
        return say("words.loss_unknown_evaporation_alone_would", band=band)
    lost = say("words.lost_since_soak_s_clock", observed_loss_g=grams(verdict.observed_loss_g))
    return say("words.evaporation_alone_explains", lost=lost, band=band)


def leak(band: Band, outcome: Outcome) -> str:
    """The leak's rate with its interval, or its upper bound, in g/day; a flood's in g/min."""
    if outcome is Outcome.LEAKING:
        per, unit = (24, "g/day") if band.best < BY_MINUTE_G_PER_H else (1 / 60, "g/min")
        interval = between(per * band.low, per * band.high, places_of(per * band.best, 3))
        return f"{rate(band.best, 3)} (95 %: {interval} {unit})"
    if not telling(band.high):
        return say("words.cannot_told_from_this_run")
    return say("words.less_than_g_day_95", band=at_most(24 * band.high))


def telling(high_g_per_h: float) -> bool:
    """Whether a bound says anything: a run that could hide a flood says nothing of weeps."""
    return math.isfinite(high_g_per_h) and high_g_per_h < BY_MINUTE_G_PER_H


def in_short(verdict: Verdict) -> str:
    """What a soak has shown, in a few words: leaked about 8.4 g/day at carb 4."""
    if verdict.outcome is Outcome.LEAKING:
        places = [say("reasons.carb", carb=leak.carb) for leak in verdict.leaks if leak.carb]
        much = rate(verdict.leak_g_per_h.best)
        if places:
            return say("words.leaked_at", rate=much, places=" and ".join(places))
        return say("words.leaked_nowhere", rate=much)
    if verdict.outcome is Outcome.TIGHT:
        day = at_most(24 * verdict.leak_g_per_h.high)
        return say("words.tight_below_g_day", day=day)
    return say("words.not_proven_2", reason=verdict.reason)


def tied(
    before: str, renewed: Sequence[str], renewed_before: Sequence[str], verdict: Verdict
) -> str:
    """The soak before, what was renewed since, and what this one shows: in one line."""
    if not before:
        return ""
    since = [part for part in renewed if part not in renewed_before]
    if since:
        before = f"{before}; {say('words.renewed_since', since=', '.join(since))}"
    return f"{before}; {say('words.now', in_short=in_short(verdict))}"


def smallest(verdict: Verdict) -> str:
    """The smallest leak this run could have proven."""
    smallest_g_per_h = verdict.smallest_provable_leak_g_per_h
    return (
        say("words.none_this_run_could_prove")
        if smallest_g_per_h is None
        else say("words.g_day", found=at_most(24 * smallest_g_per_h))
    )


def provable(verdict: Verdict) -> str:
    """From which size on this run could have proven a leak."""
    if verdict.smallest_provable_leak_g_per_h is None:
        return say("words.nothing_no_leak_however_large")
    return say("words.leak_more", smallest=smallest(verdict))


def suspect(ranked: Suspect) -> str:
    """A suspect as: 63 %  carb 4: bowl gasket or drain plug weeping."""
    cause = CAUSES[ranked.cause]
    if ranked.carb:
        cause = say("words.carb_with", carb=ranked.carb, cause=cause)
    return f"{chance(ranked.probability)}  {cause}"


def suspects(verdict: Verdict, most: int | None = None) -> tuple[str, ...]:
    """The suspects, likeliest first; of a run that can tell nothing none has a chance."""
    if verdict.outcome is not Outcome.LEAKING and verdict.smallest_provable_leak_g_per_h is None:
        causes = [
            suspect_of
            for suspect_of in verdict.suspects
            if suspect_of.cause is Cause.NEEDLE_STUCK_SHUT
        ]
        return tuple(CAUSES[cause.cause] for cause in causes) or (
            say("words.cannot_told_from_this_run"),
        )
    return tuple(suspect(suspect_of) for suspect_of in _each(verdict)[:most])


def _each(verdict: Verdict) -> tuple[Suspect, ...]:
    """Suspects, likeliest first. Several leaks are no rivals: each one's causes sum to 1."""
    carbs = {leak.carb for leak in verdict.leaks}
    if len(carbs) < 2:
        return verdict.suspects
    share = {
        carb: sum(suspect.probability for suspect in verdict.suspects if suspect.carb == carb)
        for carb in carbs
    }
    every = [
        replace(suspect, probability=suspect.probability / share[suspect.carb])
        for suspect in verdict.suspects
        if share.get(suspect.carb, 0.0) > 0
    ]
    return tuple(sorted(every, key=lambda suspect: -suspect.probability))


def chance(probability: float) -> str:
    """A probability as a percentage; what is small is not called nothing."""
    return "< 1 %" if 0 < probability < 0.005 else f"{100 * probability:.0f} %"


def drops(verdict: Verdict) -> str:
    """Drops per carb in a line."""
    if not verdict.drops:
        return say("words.no_gates")
    each = enumerate(counted(verdict), start=1)
    text = ", ".join(say("words.carb_2", i=i, n=n) for i, n in each)
    carbs = not_fuel(verdict)
    if not carbs:
        return text
    *before, last = map(str, carbs)
    listed = f"{', '.join(before)} and {last}" if before else last
    places = say("reasons.carb", carb=listed)
    return say("words.what_was_counted_not_believed", told=text, places=places)


def counted(verdict: Verdict) -> list[str]:
    """Drops per carb; "?" where the gate was blind: what it did not count is not known."""
    blind = {fault.carb for fault in verdict.faults if fault.kind == "gate_stuck"}
    return [
        "?" if not count and carb in blind else str(count)
        for carb, count in enumerate(verdict.drops, start=1)
    ]


def not_fuel(verdict: Verdict) -> tuple[int, ...]:
    """Carbs whose gates counted what is not believed to be fuel: all that did, of a tight rack."""
    if verdict.outcome is not Outcome.TIGHT:
        return ()
    counted = enumerate(verdict.drops, start=1)
    return tuple(carb for carb, count in counted if count)
