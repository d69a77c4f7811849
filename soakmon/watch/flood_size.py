"""How large a flood is, and when it stopped: by the bottle, and by drops until that has told."""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.onset import pouring
from soakmon.watch.record import RunRecord
from soakmon.watch.standing import FLOWS_G, FLOWS_UNTIL_S, flowed_g
from soakmon.watch.verdict import Alarm, Band
from soakmon.watch.weep import Weep

# Its drops are counted for so long after its alarm.
_STORM_S = judgement(120.0, "s")
# The bottle tells how large a flood is over so long, from `FLOWS_G` on, and so well; no longer than
# `FLOWS_UNTIL_S`.
_FLOWS_S = judgement(180.0, "s")
_FLOWS_REL = judgement(0.15, "rel. sd")
_STEP_G = judgement(0.5, "g")
# So long after a fill what still flows is none of it.
_BEHIND_S = judgement(600.0, "s")
# What the first drops of a flood say is known to this factor (judgement).
UNSURE = judgement(2.0, "times")


def flood(record: RunRecord, weep: Weep, alarm: Alarm, fed_s: float) -> LocatedLeak:
    """A flood: the bottle tells how large, once it has flowed for minutes; until then the drops."""
    rate = _storm_g_per_h(record, weep, alarm, fed_s)
    leak = Band(rate, rate / UNSURE, UNSURE * rate)
    fill = record.finder.fill
    # Not what was taken for a bowl that filled late.
    filling = fill.found and fill.flows_s < alarm.t_s <= min(fill.ended_s, fill.late.first_s)
    stops_s = _stopped_s(record, weep, alarm, fed_s)
    until_s = min(fed_s, alarm.t_s + FLOWS_UNTIL_S) if stops_s is None else stops_s
    # What goes on behind a fill is told by the time after it.
    behind = filling and until_s - fill.ended_s > _BEHIND_S
    from_s = fill.ended_s if behind else alarm.t_s
    hours = (until_s - from_s) / 3600
    lost_g = flowed_g(record, weep, from_s, until_s)
    lost_g *= _share_of_flood(record, alarm, until_s)
    off_g = math.hypot(_FLOWS_REL * lost_g, _STEP_G)
    denied = rate * hours > UNSURE * (max(lost_g, 0.0) + off_g)
    if 3600 * hours >= _FLOWS_S and (lost_g > FLOWS_G or denied):
        lost_g = max(lost_g, _STEP_G)
        leak = Band(lost_g / hours, max(lost_g - off_g, 0.0) / hours, (lost_g + off_g) / hours)
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


def drained(record: RunRecord, alarm: Alarm) -> LocatedLeak:
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
