"""Where fuel is leaving: for each alarm that stands the leak, since when, how much, until when."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.physics.geometry import Bowl
from soakmon.watch.balance import RATES, log_weight_since, mass_log_weight
from soakmon.watch.causes import RISES
from soakmon.watch.closing import leak_given_leaking, tail
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.logs import log_sum
from soakmon.watch.needles import rise_g
from soakmon.watch.onset import (
    bottle_goes_on,
    by_onset,
    dripping,
    flowing,
    only,
    pouring,
    runs_from_s,
    silent_s,
)
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.standing import FLOWS_G, FLOWS_UNTIL_S, fed_until_s, flowed_g
from soakmon.watch.verdict import Alarm, Band, Leak
from soakmon.watch.weep import ONSETS, Weep

# Its drops are counted for so long after its alarm.
_STORM_S = judgement(120.0, "s")
# The bottle tells how large a flood is over so long, from `FLOWS_G` on, and so
# well; no longer than `FLOWS_UNTIL_S`.
_FLOWS_S = judgement(180.0, "s")
_FLOWS_REL = judgement(0.15, "rel. sd")
# So long after a fill what still flows is none of it.
_BEHIND_S = judgement(600.0, "s")
_STEP_G = judgement(0.5, "g")
# What the first drops of a flood say is known to this factor (judgement).
UNSURE = judgement(2.0, "times")
# A loss that began before the drops is theirs when the mass is so much surer of it (judgement).
_LED = judgement(3.0, "e-folds")


@dataclass(frozen=True, slots=True)
class LocatedLeak:
    """A leak at a place: carb or None, first drop (or onset) s, its estimate, what drops say.

    leak: while it leaked, g/h; since_s: 95 % bracket of its beginning, s; until_s: when it stopped
    by itself, None: not while it was watched; fed_h: hours of the soak in which fuel could leak;
    unfed: it showed only once the feed was shut, out of what its bowl held.
    """

    carb: int | None
    onset_s: float
    leak: Band
    mass_led: bool
    dripped_g_per_h: float = 0.0
    place: int = 0
    until_s: float | None = None
    since_s: tuple[float, float] = (math.nan, math.nan)
    fed_h: float = 1.0
    unfed: bool = False

    @property
    def over_soak(self) -> Band:
        """The leak as a mean over the soak, g/h: one that stopped is not said as if it went on."""
        if self.until_s is None:
            return self.leak
        share = min((self.until_s - self.onset_s) / 3600 / self.fed_h, 1.0)
        return Band(*(share * rate for rate in (self.leak.best, self.leak.low, self.leak.high)))

    @property
    def lost_g(self) -> float | None:
        """What a leak that has stopped let out, g; None for one that goes on."""
        if self.until_s is None:
            return None
        return self.leak.best * (self.until_s - self.onset_s) / 3600

    def in_verdict(self) -> Leak:
        """As the verdict tells it."""
        return Leak(self.carb, self.over_soak, self.since_s, self.until_s, self.lost_g)


def leak_at(record: RunRecord, weep: Weep, mass: Floats, alarm: Alarm) -> LocatedLeak:
    """The leak that an alarm stands for: its first drop or onset, and its estimate."""
    fed_s = fed_until_s(record, weep)
    dry = alarm.carb is None and alarm.t_s >= record.empty_s
    if alarm.kind == "flood" and dry and record.finder.over_g(alarm.t_s) > 0:
        leak = _drained(record, alarm)
    elif alarm.kind == "flood" and alarm.leak_g_per_h is not None:
        leak = _flood(record, weep, alarm, fed_s)
    elif alarm.carb is None:
        leak = _unseen(record, weep, mass, fed_s)
    elif alarm.t_s > fed_s and not record.tally.until(alarm.carb - 1, fed_s):
        leak = _unfed(record, weep, alarm)
    else:
        leak = _dripped(record, weep, mass, alarm, fed_s)
    return replace(leak, fed_h=max(fed_s - record.soak_s, 60.0) / 3600)


def _flood(record: RunRecord, weep: Weep, alarm: Alarm, fed_s: float) -> LocatedLeak:
    """A flood: the bottle tells how large, once it has flowed for minutes; until then the drops."""
    rate = _storm_g_per_h(record, weep, alarm, fed_s)
    leak = Band(rate, rate / UNSURE, UNSURE * rate)
    fill = record.finder.fill
    filling = fill.found and fill.flows_s < alarm.t_s <= fill.ended_s
    stops_s = _stopped_s(record, weep, alarm, fed_s)
    until_s = min(fed_s, alarm.t_s + FLOWS_UNTIL_S) if stops_s is None else stops_s
    # What goes on behind a fill is told by the time after it.
    behind = filling and until_s - fill.ended_s > _BEHIND_S
    from_s = fill.ended_s if behind else alarm.t_s
    hours = (until_s - from_s) / 3600
    lost_g = flowed_g(record, weep, from_s, until_s)
    lost_g *= _share_of_flood(record, alarm, until_s)
    if 3600 * hours >= _FLOWS_S and lost_g > FLOWS_G:
        rate, off_g = lost_g / hours, math.hypot(_FLOWS_REL * lost_g, _STEP_G)
        leak = Band(rate, (lost_g - off_g) / hours, (lost_g + off_g) / hours)
        if filling and not behind and alarm.carb is not None:
            leak = _overflowed(record, weep, alarm, until_s, leak)
    since_s = pouring(record, alarm.t_s, max(leak.best, FLOODS_G_PER_H))
    if filling:
        # The fill hid it.
        since_s = (fill.flows_s, alarm.t_s)
    onset_s = (since_s[0] + since_s[1]) / 2
    if alarm.carb is not None:
        # Its drops had begun when they were told, or shortly before.
        since_s, onset_s = (min(since_s[0], alarm.t_s - _STORM_S), alarm.t_s), alarm.t_s
    return LocatedLeak(alarm.carb, onset_s, leak, False, leak.best, 0, stops_s, since_s)


def _overflowed(
    record: RunRecord, weep: Weep, alarm: Alarm, until_s: float, all_of_it: Band
) -> Band:
    """What ran out under a bowl while the rack filled, of all that the bottle lost meanwhile, g/h.

    As much as its gate counted, or more where more went than the rack holds: gates count a jet as
    fewer drops than it is.
    """
    gate, hours = (alarm.carb or 1) - 1, (until_s - alarm.t_s) / 3600
    dripped_g = record.tally.between(gate, alarm.t_s, until_s) * weep.drop_g[gate]
    beyond_g = all_of_it.best * hours - record.finder.content.described_g
    best = min(max(dripped_g, beyond_g) / hours, all_of_it.best)
    return Band(best, best / UNSURE, min(UNSURE * best, all_of_it.high))


def _drained(record: RunRecord, alarm: Alarm) -> LocatedLeak:
    """A flood that emptied the bottle while the rack filled: what the rack does not hold."""
    finder, until_s = record.finder, min(record.finder.fill.ended_s, record.empty_s)
    hours = max(until_s - finder.fill.flows_s, 60.0) / 3600
    # All of it at most; a rack that is larger than described leaves less.
    most_g, least_g = finder.fill.taken_g, finder.over_g(alarm.t_s)
    best_g = max(most_g - finder.content.described_g, least_g)
    leak = Band(best_g / hours, least_g / hours, most_g / hours)
    since_s = (finder.fill.flows_s, until_s)
    return LocatedLeak(None, finder.fill.flows_s, leak, False, 0.0, 0, until_s, since_s)


def _stopped_s(record: RunRecord, weep: Weep, alarm: Alarm, fed_s: float) -> float | None:
    """When a flood had stopped by itself, s; None when it went on as long as it was fed."""
    hours = max(record.last_s - record.soak_s, 60.0) / 3600
    evaporates_g_per_h = record.curve.expected().best / hours
    stops_s = record.masses.flow_ended_s(alarm.t_s, fed_s, evaporates_g_per_h)
    if stops_s is None or alarm.carb is None:
        return stops_s
    gate = alarm.carb - 1
    # Not of its last minutes, in which it lost the rest.
    from_s = (stops_s + fed_s) / 2
    later_g = record.tally.between(gate, from_s, fed_s) * weep.drop_g[gate]
    return None if later_g > FLOWS_G / 2 else stops_s


def _share_of_flood(record: RunRecord, alarm: Alarm, until_s: float) -> float:
    """Share of what the bottle lost after a flood's alarm that its gate counted, of all floods."""
    if alarm.carb is None:
        return 1.0
    drops = {
        flood.carb: record.tally.between(flood.carb - 1, alarm.t_s, until_s)
        for flood in record.alarms
        if flood.kind == "flood" and flood.carb is not None
    }
    counted = sum(drops.values())
    return drops.get(alarm.carb, 0) / counted if counted else 1.0


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
    record: RunRecord, weep: Weep, mass: Floats, alarm: Alarm, fed_s: float
) -> LocatedLeak:
    """A leak whose drops a gate counts: they tell where and when, the bottle how much more."""
    gate = (alarm.carb or 1) - 1
    onsets = by_onset(weep, weep.mass_dates())
    joint, times = _until_alarm(weep, gate, mass, alarm)
    stray_s = float(times[int(np.argmax(joint.max(axis=1)))])
    first_s = runs_from_s(record, gate, stray_s, alarm.t_s, fed_s)
    place, led = _begun_at(record, weep, onsets, gate, first_s)
    drops, hours, until_s = _counted(record, weep, alarm, first_s, fed_s)
    drop_g = weep.drop_g[gate]
    # The drops tell how much, and the bottle how much more may have dried, or passed the gate by:
    # by what it lost. By the shape of its loss a leak that follows warmth and head looks like less.
    lasted_h = math.inf if until_s is None else hours
    by_mass = log_weight_since(record, weep, place, lasted_h)
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


def _storm_g_per_h(record: RunRecord, weep: Weep, alarm: Alarm, fed_s: float) -> float:
    """Rate of a flood: drops of the two minutes after the alarm, or what the alarm said."""
    said = alarm.leak_g_per_h or 0.0
    if alarm.carb is None:
        return said
    until_s = min(alarm.t_s + _STORM_S, record.last_row_s, max(fed_s, alarm.t_s))
    gate = alarm.carb - 1
    drops = record.tally.between(gate, alarm.t_s, until_s)
    counted = drops * weep.drop_g[gate] / max(until_s - alarm.t_s, 10.0) * 3600
    return max(said, counted)


def rise_at(record: RunRecord, carb: int | None) -> float:
    """Fuel that lifts the level of a carb's bowl (None: any one) to its overflow lip, g."""
    bowls = record.settings.geometry.bowls or (Bowl(),)
    return rise_g(bowls[min((carb or 1) - 1, len(bowls) - 1)], record.settings.fuel)
