"""From evidence to the verdict: which of the three, why, and what is behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from soakmon.texts import say
from soakmon.watch.balance import chance_of_so_much, contradicts
from soakmon.watch.causes import Evidence, rank
from soakmon.watch.closing import Posterior, posterior, smallest_provable
from soakmon.watch.evidence import evidence, shift
from soakmon.watch.faults import gate_faults, other_faults
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.found import UNSURE, Found, divided, explained, found_at, total_leak
from soakmon.watch.reasons import doubts_of, outcome_of
from soakmon.watch.rows import Floats
from soakmon.watch.standing import standing
from soakmon.watch.verdict import Alarm, Band, Outcome, Suspect, Verdict, leak_alarm
from soakmon.watch.weep import Weep

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider


def conclude(decider: Decider) -> Verdict:
    """The verdict on what a decider has seen so far."""
    weep = decider.weep
    if weep is None or not decider.mass_running:
        return _too_early(decider)
    mass = weep.mass_log_ratio()
    belief = posterior(weep, decider.settings.criterion_g_per_day / 24.0)
    alarms, withdrawn = standing(decider, weep, mass)
    alarms = _with_closing_alarm(decider, weep, mass, alarms)
    found = explained([found_at(decider, weep, mass, alarm) for alarm in alarms])
    leak = total_leak(decider, weep, found, belief)
    found = divided(found, leak)
    alarms = [_restated(alarm, found, leak) for alarm in alarms]
    smallest = smallest_provable(weep, decider.budget.closing)
    faults = [*decider.follower.faults, *gate_faults(decider, alarms), *withdrawn]
    faults += other_faults(decider)
    # A bottle that ran dry leaves bowls short without any needle being at fault.
    empty = np.isfinite(decider.empty_s)
    short = 0 if empty else decider.finder.bowls_short(decider.bowl_g)
    if short and decider.settings.bowls_measured:
        alarms.append(_starved(decider, short))
    doubts = doubts_of(decider, belief, faults, short)
    outcome, reason = outcome_of(decider, leak, found, doubts)
    return Verdict(
        outcome,
        reason,
        decider.last_s - decider.start_s,
        decider.curve.observed_g(),
        decider.curve.evaporated(),
        leak,
        smallest if smallest < FLOODS_G_PER_H else None,
        tuple(decider.tally.total),
        tuple(sorted(alarms, key=lambda alarm: alarm.t_s)),
        _suspects(decider, belief, found, short),
        tuple(sorted(faults, key=lambda fault: fault.t_s)),
        tuple(one.told() for one in found),
        decider.caught_g,
    )


def _with_closing_alarm(
    decider: Decider, weep: Weep, mass: Floats, alarms: list[Alarm]
) -> list[Alarm]:
    """Add an alarm when a leak is proven only by the whole record, once it is whole."""
    if alarms or not decider.finished:
        return alarms
    by_balance = chance_of_so_much(decider, weep) < decider.budget.balance
    by_filter = decider.tail(weep) < decider.budget.closing
    if not by_balance and not (by_filter and not contradicts(decider, weep, mass)):
        return alarms
    alarm = Alarm(decider.last_s, "weep", None, None, "")
    return [
        leak_alarm(decider.last_s, "weep", None, found_at(decider, weep, mass, alarm).leak.best)
    ]


def _restated(alarm: Alarm, found: list[Found], leak: Band) -> Alarm:
    """The alarm with the size that the whole record gives its leak: at first little was known."""
    rates = [one.over_soak.best for one in found if one.carb == alarm.carb]
    return leak_alarm(alarm.t_s, alarm.kind, alarm.carb, rates[0] if rates else leak.best)


def _too_early(decider: Decider) -> Verdict:
    nothing = Band(0.0, 0.0, 0.0)
    duration = decider.last_s - decider.start_s if np.isfinite(decider.last_s) else 0.0
    leaking = bool(decider.alarms)
    carbs = [a.carb for a in decider.alarms]
    places = [
        Evidence(c, 1.0 / len(carbs), 100.0, 0.1, False, shift=shift(decider, c)) for c in carbs
    ]
    rate = max((a.leak_g_per_h or 0.0 for a in decider.alarms), default=0.0)
    return Verdict(
        Outcome.LEAKING if leaking else Outcome.NOT_PROVEN,
        decider.alarms[0].text if leaking else _why_nothing(decider),
        duration,
        None,
        nothing,
        Band(rate, rate / UNSURE, UNSURE * rate),
        None,
        tuple(decider.tally.total),
        tuple(decider.alarms),
        rank(places, 0.0 if leaking else 1.0, bowls_short=0),
        tuple(other_faults(decider)),
        caught_g=decider.caught_g,
    )


def _why_nothing(decider: Decider) -> str:
    if not np.isfinite(decider.tally.last_mass_g):
        return say("conclude.there_was_no_mass_reading")
    return say("conclude.run_ended_before_soak_began")


def _starved(decider: Decider, short: int) -> Alarm:
    bowls = say("conclude.bowl") if short == 1 else say("conclude.bowls", short=short)
    text = say("conclude.fill_short_needle_stuck_shut", bowls=bowls)
    return Alarm(decider.finder.ended_s, "starved", None, None, text)


def _suspects(
    decider: Decider, belief: Posterior, found: list[Found], short: int
) -> tuple[Suspect, ...]:
    places = [evidence(decider, one, found) for one in found]
    no_leak = 0.0
    if not found:
        no_leak = belief.no_leak
        shares: list[tuple[int | None, float]] = [(None, belief.unseen)]
        shares += [(gate + 1, share) for gate, share in enumerate(belief.gates)]
        places = [
            Evidence(c, w, 1.0, 1.0, False, shift=shift(decider, c)) for c, w in shares if w > 0
        ]
    return rank(places, no_leak, bowls_short=short)
