"""From evidence to the verdict: which of the three, why, and what is behind it."""

from __future__ import annotations

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.texts import say
from soakmon.watch.alarming import names_g_per_h
from soakmon.watch.balance import chance_of_so_much, contradicts, possible, usual
from soakmon.watch.causes import Evidence, rank
from soakmon.watch.closing import Posterior, posterior, smallest_provable, tail
from soakmon.watch.evidence import evidence, shift
from soakmon.watch.faults import gate_faults, late_fills, other_faults
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.flood_size import UNSURE
from soakmon.watch.leak_estimates import leak_at, leaks_of
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.reasons import doubts_of, outcome_of
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.several_leaks import apart, divided, total_leak
from soakmon.watch.standing import standing, went_meanwhile
from soakmon.watch.verdict import Alarm, Band, Outcome, Suspect, Verdict, leak_alarm
from soakmon.watch.weep import Weep

# What one tight bench in a hundred has lost is a leak when its shape says so by so many e-folds.
_PLAINLY = judgement(7.0, "e-folds")


def conclude(record: RunRecord) -> Verdict:
    """The verdict on what has been learnt so far."""
    weep = record.weep
    if weep is None or not record.mass_running:
        return _too_early(record)
    mass = weep.mass_log_ratio()
    belief = posterior(record, weep)
    alarms, withdrawn = standing(record, weep, mass)
    alarms = _with_closing_alarm(record, weep, mass, alarms)
    leaks = divided(record, weep, leaks_of(record, weep, mass, alarms))
    leak = total_leak(leaks, belief)
    leaks = apart(leaks)
    alarms = [_restated(alarm, leaks, leak) for alarm in alarms]
    smallest = smallest_provable(weep, record.budget.closing)
    faults = [*record.faults, *gate_faults(record, alarms), *withdrawn]
    faults += [*late_fills(record, alarms), *other_faults(record)]
    described_short = _bowls_short(record)
    doubts = doubts_of(record, belief, faults, described_short)
    # Of a rack that nobody measured it is the description that is short, and no needle.
    short = described_short if record.settings.bowls_measured else 0
    if short:
        alarms.append(_starved(record, short))
    outcome, reason = outcome_of(record, leak, leaks, doubts)
    return Verdict(
        outcome,
        reason,
        record.last_s - record.start_s,
        record.curve.observed_g(),
        record.curve.evaporated(),
        leak,
        smallest if smallest < FLOODS_G_PER_H else None,
        tuple(record.tally.total),
        tuple(sorted(alarms, key=lambda alarm: alarm.t_s)),
        _suspects(record, belief, leaks, short),
        tuple(sorted(faults, key=lambda fault: fault.t_s)),
        tuple(located.in_verdict() for located in leaks),
        record.caught_g,
    )


def _bowls_short(record: RunRecord) -> int:
    """How many bowls the fill was short of, by the description of the bench."""
    if np.isfinite(record.empty_s):
        # A bottle that ran dry leaves bowls short without any needle being at fault.
        return 0
    return record.finder.fill.bowls_short(record.settings.bowl_g)


def _with_closing_alarm(
    record: RunRecord, weep: Weep, mass: Floats, alarms: list[Alarm]
) -> list[Alarm]:
    """Add an alarm when a leak is proven only by the whole record, once it is whole."""
    if alarms or not record.finished:
        return alarms
    by_balance = chance_of_so_much(record, weep) < record.budget.balance
    by_filter = tail(record, weep) < record.budget.closing
    if not by_balance and not (by_filter and _more_than_usual(record, weep, mass)):
        return alarms
    named = (
        gate + 1
        for gate in range(len(weep.gates))
        if names_g_per_h(record, weep, mass, gate) and went_meanwhile(record, weep, gate)
    )
    alarm = Alarm(record.last_s, "weep", next(named, None), None, "")
    rate = leak_at(record, weep, mass, alarm).leak.best
    return [leak_alarm(record.last_s, "weep", alarm.carb, rate)]


def _more_than_usual(record: RunRecord, weep: Weep, mass: Floats) -> bool:
    """Whether hardly any tight bench loses so much, or plainly none by such a shape."""
    if not usual(record, weep, mass):
        return True
    plainly = weep.unseen(possible(record, weep, mass)) > _PLAINLY
    return plainly and not contradicts(record, weep, mass)


def _restated(alarm: Alarm, leaks: list[LocatedLeak], leak: Band) -> Alarm:
    """The alarm with the size that the whole record gives its leak: at first little was known."""
    mine = [located for located in leaks if located.carb == alarm.carb]
    if not mine:
        return leak_alarm(alarm.t_s, alarm.kind, alarm.carb, leak.best)
    rate = mine[0].over_soak.best
    return leak_alarm(alarm.t_s, alarm.kind, alarm.carb, rate, mine[0].lost_g)


def _too_early(record: RunRecord) -> Verdict:
    nothing = Band(0.0, 0.0, 0.0)
    duration = record.last_s - record.start_s if np.isfinite(record.last_s) else 0.0
    leaking = bool(record.alarms)
    carbs = [a.carb for a in record.alarms]
    places = [
        Evidence(c, 1.0 / len(carbs), 100.0, 0.1, False, shift=shift(record, c)) for c in carbs
    ]
    rate = max((a.leak_g_per_h or 0.0 for a in record.alarms), default=0.0)
    return Verdict(
        Outcome.LEAKING if leaking else Outcome.NOT_PROVEN,
        record.alarms[0].text if leaking else _why_nothing(record),
        duration,
        None,
        nothing,
        Band(rate, rate / UNSURE, UNSURE * rate),
        None,
        tuple(record.tally.total),
        tuple(record.alarms),
        rank(places, 0.0 if leaking else 1.0, bowls_short=0),
        tuple(other_faults(record)),
        caught_g=record.caught_g,
    )


def _why_nothing(record: RunRecord) -> str:
    if not np.isfinite(record.tally.last_mass_g):
        return say("conclude.there_was_no_mass_reading")
    return say("conclude.run_ended_before_soak_began")


def _starved(record: RunRecord, short: int) -> Alarm:
    bowls = say("conclude.bowl") if short == 1 else say("conclude.bowls", short=short)
    text = say("conclude.fill_short_needle_stuck_shut", bowls=bowls)
    return Alarm(record.finder.fill.ended_s, "starved", None, None, text)


def _suspects(
    record: RunRecord, belief: Posterior, leaks: list[LocatedLeak], short: int
) -> tuple[Suspect, ...]:
    places = [evidence(record, leak, leaks) for leak in leaks]
    no_leak = 0.0
    if not leaks:
        no_leak = belief.no_leak
        shares: list[tuple[int | None, float]] = [(None, belief.unseen)]
        shares += [(gate + 1, share) for gate, share in enumerate(belief.gates)]
        places = [
            Evidence(c, w, 1.0, 1.0, False, shift=shift(record, c)) for c, w in shares if w > 0
        ]
    return rank(places, no_leak, bowls_short=short)
