"""Where fuel is leaving: for each alarm that stands the leak, since when, how much, until when."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.physics.geometry import Bowl
from soakmon.watch.balance import RATES, log_weight_since, mass_log_weight
from soakmon.watch.causes import RISES
from soakmon.watch.closing import leak_given_leaking, tail
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.flood_size import drained, flood
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.logs import log_sum
from soakmon.watch.needles import rise_g
from soakmon.watch.onset import (
    bottle_goes_on,
    by_onset,
    dripping,
    flowing,
    only,
    runs_from_s,
    silent_s,
)
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.several_leaks import besides, explained, less_seen
from soakmon.watch.standing import fed_until_s
from soakmon.watch.verdict import Alarm, Band
from soakmon.watch.weep import ONSETS, Weep

# A loss that began before the drops is theirs when the mass is so much surer of it (judgement).
_LED = judgement(3.0, "e-folds")
# What was told as a flood and is slower than that share of one is a drip, weighed as one.
_DRIPS = judgement(0.5, "share")


def leaks_of(record: RunRecord, weep: Weep, mass: Floats, alarms: list[Alarm]) -> list[LocatedLeak]:
    """The leaks that alarms stand for, one a place."""
    leaks = explained([leak_at(record, weep, mass, alarm) for alarm in alarms])
    flooded = any(alarm.kind == "flood" for alarm in alarms) and len(leaks) > 1
    if not (flooded or besides(leaks)):
        return leaks
    # What the bottle lost is not lost where it drops: there drops alone tell.
    each = explained([leak_at(record, weep, mass, alarm, by_drops=True) for alarm in alarms])
    return each if flooded else less_seen(each, fed_until_s(record, weep))


def leak_at(
    record: RunRecord, weep: Weep, mass: Floats, alarm: Alarm, *, by_drops: bool = False
) -> LocatedLeak:
    """The leak that an alarm stands for: its first drop or onset, and its estimate.

    by_drops: the bottle loses elsewhere, too.
    """
    fed_s = fed_until_s(record, weep)
    dry = alarm.carb is None and alarm.t_s >= record.empty_s
    if alarm.kind == "flood" and dry and record.finder.over_g(alarm.t_s) > 0:
        leak = drained(record, alarm)
    elif alarm.kind == "flood" and alarm.leak_g_per_h is not None:
        leak = flood(record, weep, alarm, fed_s)
        if leak.leak.best < _DRIPS * FLOODS_G_PER_H and alarm.carb is not None:
            leak = _dripped(record, weep, mass, alarm, fed_s, by_drops=by_drops)
    elif alarm.carb is None:
        leak = _unseen(record, weep, mass, fed_s)
    elif alarm.t_s > fed_s and not record.tally.until(alarm.carb - 1, fed_s):
        leak = _unfed(record, weep, alarm)
    else:
        leak = _dripped(record, weep, mass, alarm, fed_s, by_drops=by_drops)
    return replace(leak, fed_h=max(fed_s - record.soak_s, 60.0) / 3600)


def _unseen(record: RunRecord, weep: Weep, mass: Floats, fed_s: float) -> LocatedLeak:
    onsets = by_onset(weep, weep.mass_dates())
    since_s = flowing(weep, onsets, record.filled_s)
    if weep.unseen(mass) <= 0 and tail(record, weep) > record.budget.closing:
        # No even leak fits what was lost: it is told as a mean over the soak.
        onsets = only(0)
    place = int(np.argmax(onsets))
    leak = leak_given_leaking(mass_log_weight(record, weep, onsets))
    onset_s = float(weep.onset_s[place])
    # What evaporates is known as far as the band says: a leak that does not account for the rest
    # began before its rate was at its highest.
    expected, observed_g = record.curve.expected(), record.curve.observed_g() or 0.0
    surely_g = observed_g - expected.high
    if leak.high * max(fed_s - onset_s, 0.0) / 3600 < surely_g:
        hours = max(fed_s - weep.start_s, 60.0) / 3600
        rates = [(observed_g - g) / hours for g in (expected.best, expected.high, expected.low)]
        leak, place, onset_s = Band(*rates), 0, weep.start_s
        since_s = (min(record.filled_s, weep.start_s), since_s[1])
    return LocatedLeak(None, onset_s, leak, False, 0.0, place, None, since_s)


def _dripped(
    record: RunRecord,
    weep: Weep,
    mass: Floats,
    alarm: Alarm,
    fed_s: float,
    *,
    by_drops: bool,
) -> LocatedLeak:
    """A leak whose drops a gate counts: they tell where and when, the bottle how much more."""
    gate = (alarm.carb or 1) - 1
    onsets = by_onset(weep, weep.mass_dates())
    joint, times = _until_alarm(weep, gate, mass, alarm)
    stray_s = float(times[int(np.argmax(joint.max(axis=1)))])
    first_s = runs_from_s(record, gate, stray_s, alarm.t_s, fed_s)
    place, led = _begun_at(record, weep, onsets, gate, first_s)
    led = led and not by_drops
    drops, hours, until_s = _counted(record, weep, alarm, first_s, fed_s)
    drop_g = weep.drop_g[gate]
    # The drops tell how much, and the bottle how much more may have dried, or passed the gate by:
    # by what it lost. By the shape of its loss a leak that follows warmth and head looks like less.
    lasted_h = math.inf if until_s is None else hours
    evenly = -np.log(RATES)
    by_mass = evenly if by_drops else log_weight_since(record, weep, place, lasted_h)
    leak = leak_given_leaking(by_mass, drops, hours, drop_g)
    rate = drops * drop_g / hours
    since_s = dripping(weep, gate, joint, times, drips_g_per_h=rate, filled_s=record.filled_s)
    since_s = (since_s[0], max(since_s[1], first_s))
    if led:
        # The mass may err; the first drop does not.
        since_s = (min(flowing(weep, onsets, record.filled_s)[0], since_s[1]), since_s[1])
    return LocatedLeak(alarm.carb, first_s, leak, led, rate, place, until_s, since_s)


def _until_alarm(weep: Weep, gate: int, mass: Floats | None, alarm: Alarm) -> tuple[Floats, Floats]:
    """First drops up to the alarm, s, and their weights by rate.

    What was told had begun, however much likelier a later beginning looks by what came after.
    """
    _, joint, times = weep.under_gate(gate, mass)
    before = times <= alarm.t_s
    if not before.any():
        return np.zeros((1, 1)), np.array([alarm.t_s])
    return joint[before], times[before]


def _begun_at(
    record: RunRecord, weep: Weep, onsets: Floats, gate: int, first_s: float
) -> tuple[int, bool]:
    """Onset of a leak whose first drop fell then, and whether the mass saw it before the drops."""
    place = int(np.clip((first_s - weep.start_s) // weep.onset_step_s, 0, ONSETS - 1))
    # It began between two onsets of the grid: the one that the mass prefers.
    place += int(np.argmax(onsets[place : place + 2]))
    mass_onset = int(np.argmax(onsets))
    # Of several leaks the mass dates the first, or all of them together.
    places = {alarm.carb for alarm in record.alarms if alarm.leaks and alarm.carb is not None}
    surer = onsets[mass_onset] - onsets[place] > _LED
    if not (surer and mass_onset < place - 1 and len(places) < 2):
        return place, False
    # A weeping needle must first have raised its bowl to the lip.
    rate = leak_given_leaking(mass_log_weight(record, weep, only(mass_onset))).best
    before_g = rate * (first_s - weep.onset_s[mass_onset]) / 3600
    led = bool(before_g > RISES * rise_at(record, gate + 1))
    return (mass_onset if led else place), led


def _counted(
    record: RunRecord, weep: Weep, alarm: Alarm, first_s: float, fed_s: float
) -> tuple[float, float, float | None]:
    """Drops of a leak since its first one, the hours in which they fell, and when it stopped, s."""
    carb = alarm.carb or 1
    drops = float(record.tally.between(carb - 1, first_s, fed_s))
    hours = max(fed_s - first_s, 1.0) / 3600.0
    if log_sum(_until_alarm(weep, carb - 1, None, alarm)[0]) < 0:
        if alarm.leak_g_per_h is not None:
            # Sun on the gate: its counts are no longer drops, which are taken to have gone on.
            drops = alarm.leak_g_per_h * hours / weep.drop_g[carb - 1]
        return drops, hours, None
    last_s = silent_s(record, carb, first_s, fed_s)
    if last_s is None:
        return drops, hours, None
    hours = max(last_s - first_s, 60.0) / 3600.0
    # Where the bottle goes on losing, the gate has lost sight of the leak: what it counted tells of
    # the time until then.
    goes_on = bottle_goes_on(record, carb, first_s, last_s, fed_s)
    return drops, hours, None if goes_on else last_s


def _unfed(record: RunRecord, weep: Weep, alarm: Alarm) -> LocatedLeak:
    """A leak that drips only since the feed was shut: the bottle tells nothing of it."""
    gate = (alarm.carb or 1) - 1
    _, joint, times = weep.under_gate(gate, None)
    first_s = float(times[int(np.argmax(joint.max(axis=1)))]) if len(times) else alarm.t_s
    hours = max(record.last_row_s - first_s, 60.0) / 3600
    drops, drop_g = float(record.tally.since(gate, first_s)), weep.drop_g[gate]
    # The level falls: it is sooner less than more.
    leak = leak_given_leaking(-np.log(RATES), drops, hours, drop_g)
    rate = drops * drop_g / hours
    since_s = (first_s, first_s)
    if len(times):
        since_s = dripping(weep, gate, joint, times, drips_g_per_h=rate, filled_s=record.filled_s)
    return LocatedLeak(alarm.carb, first_s, leak, False, rate, 0, None, since_s, unfed=True)


def rise_at(record: RunRecord, carb: int | None) -> float:
    """Fuel that lifts the level of a carb's bowl (None: any one) to its overflow lip, g."""
    bowls = record.settings.geometry.bowls or (Bowl(),)
    return rise_g(bowls[min((carb or 1) - 1, len(bowls) - 1)], record.settings.fuel)
