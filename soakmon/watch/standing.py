"""Which alarms the whole record of a soak bears out."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.texts import say
from soakmon.watch import balance
from soakmon.watch.closing import chance_of_losing, chance_of_none
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Alarm, Fault
from soakmon.watch.weep import Weep

# So much evidence against an alarm, or so small a chance of it, takes it back.
_AGAINST = judgement(5.0, "e-folds")
_CONTRADICTED = judgement(0.01, "chance")
_PLAINLY = judgement(0.5, "chance")
# A flood that has counted so many grams while the bottle lost less than that share of them was
# none; what the cell's zero may have hidden is allowed for.
FLOWS_G = judgement(3.0, "g")
_FLOOD_SHARE = judgement(0.3, "share")
_ZERO_G = judgement(1.0, "g")
# In the time of a gate's counts, and so long before and after, that share of them is gone from the
# bottle at the least, less what its zero may hide.
_GATHERS_S = judgement(900.0, "s")
_WENT = judgement(0.5, "share")
_HIDDEN_G = judgement(0.5, "g")
# A drip of a rack that no bottle feeds has lasted for so long.
_LASTS_S = judgement(1800.0, "s")
# A gate that has counted nothing for so long counts no more.
_ENDED_S = judgement(3 * 3600.0, "s")
# A flood that the bottle tells of has begun so long before it is sure, and is weighed over so
# long after.
_BEFORE_S = judgement(300.0, "s")
FLOWS_UNTIL_S = judgement(3600.0, "s")
# So long after the feed was shut, or the bottle ran dry, its weight is read.
_STANDS_S = judgement(300.0, "s")


def standing(record: RunRecord, weep: Weep, mass: Floats) -> tuple[list[Alarm], list[Fault]]:
    """Alarms that the whole record still bears out, and those it does not, as faults."""
    borne_out: list[Alarm] = []
    withdrawn: list[Fault] = []
    for alarm in record.alarms:
        if _stands(record, weep, mass, alarm):
            borne_out.append(alarm)
        elif alarm.carb is None:
            text = say("standing.what_was_taken_leak_came")
            withdrawn.append(Fault(alarm.t_s, "bump", text))
        else:
            text = say("standing.counts_gate_are_not_borne", carb=alarm.carb)
            withdrawn.append(Fault(alarm.t_s, "gate_noise", text))
    return borne_out, withdrawn


def _stands(record: RunRecord, weep: Weep, mass: Floats, alarm: Alarm) -> bool:
    if alarm.kind == "flood":
        return _went(record, weep, alarm) and (alarm.carb is None or _flooded(record, weep, alarm))
    if alarm.carb is None:
        if balance.contradicts(record, weep, mass):
            return False
        none = min(chance_of_none(weep), balance.chance_of_so_much(record, weep))
        return weep.unseen(balance.possible(record, weep, mass)) > 0 or none < _CONTRADICTED
    return _borne_out(record, weep, mass, alarm)


def _borne_out(record: RunRecord, weep: Weep, mass: Floats, alarm: Alarm) -> bool:
    """Whether the mass lets a gate's counts be drops of fuel.

    Where the bottle plainly lost what the counts say, they are, whatever else could explain the
    loss. Else they are not when the mass speaks against a leak that goes on and cannot have lost
    what dripped. What the gate itself counted later does not matter: drops that were sure before
    the sun reached it, or before they stopped, were drops.
    """
    assert alarm.carb is not None
    gate = alarm.carb - 1
    if _have_ended(record, weep, gate) and not went_meanwhile(record, weep, gate):
        return False
    # Of the time over which the mass tells.
    dripped_g = _dripped_by_counts_g(record, weep, alarm, gate) * _weighed(record, weep, gate)
    # What was taken for hands may have been the needle that feeds the drip.
    observed_g = (record.curve.observed_g() or 0.0) + record.follower.steps.down_g
    if observed_g - record.curve.expected().best > _PLAINLY * dripped_g:
        return True
    together, alone = weep.under_gate(gate, mass)[0], weep.under_gate(gate, None)[0]
    against = together < alone - _AGAINST
    return not (against and chance_of_losing(weep, dripped_g) < _CONTRADICTED)


def _have_ended(record: RunRecord, weep: Weep, gate: int) -> bool:
    """Whether a gate counts no more: needles have let in by now what had dripped."""
    counts_s = counted(record, weep, gate)[0]
    return len(counts_s) > 0 and fed_until_s(record, weep) - float(counts_s[-1]) > _ENDED_S


def went_meanwhile(record: RunRecord, weep: Weep, gate: int) -> bool:
    """Whether the bottle lost anything like what a gate counted, in the time in which it did.

    Counts that run up in minutes weigh at some moment just what was lost in the hours before them,
    or what another leak has taken in the hours after.
    """
    fed_s = fed_until_s(record, weep)
    counts_s, dripped_g = counted(record, weep, gate, fed_s)
    if not len(counts_s):
        # No bottle feeds what drips now, and none tells: a drip lasts, what the sun makes passes.
        unfed_s = counted(record, weep, gate)[0]
        return not len(unfed_s) or float(unfed_s[-1] - unfed_s[0]) > _LASTS_S
    until_s = min(float(counts_s[-1]) + _GATHERS_S, record.last_row_s)
    lost_g = record.masses.loss_g(float(counts_s[0]) - _GATHERS_S, until_s)
    # An hour of sun among the hours of a drip does not make it less of one.
    steady_g = record.tally.steady(gate, fed_s) * weep.drop_g[gate]
    return not lost_g + _HIDDEN_G < _WENT * min(dripped_g, steady_g)


def counted(
    record: RunRecord, weep: Weep, gate: int, until_s: float = math.inf
) -> tuple[Floats, float]:
    """When a gate has counted since there was fuel, s, and what its counts weigh as drops, g."""
    from_s = weep.gates[gate].start_s
    counts_s = np.array([t for t in record.tally.times[gate] if from_s <= t <= until_s])
    if not len(counts_s):
        return counts_s, 0.0
    drops = record.tally.between(gate, float(counts_s[0]) - 1.0, until_s)
    return counts_s, drops * weep.drop_g[gate]


def _weighed(record: RunRecord, weep: Weep, gate: int) -> float:
    """Share of a gate's counts that came while the mass was weighed: it may have begun anew."""
    fed_s = fed_until_s(record, weep)
    counted = record.tally.until(gate, fed_s)
    return record.tally.between(gate, record.soak_s, fed_s) / counted if counted else 1.0


def _dripped_by_counts_g(record: RunRecord, weep: Weep, alarm: Alarm, gate: int) -> float:
    """What an alarm and the gate's counts say has dripped while the feed was open.

    No more than the gate had counted at the alarm and twice the rate it told, from then on. What
    drips while the feed is shut does not come from the bottle.
    """
    fed_s, tally = fed_until_s(record, weep), record.tally
    steady_g = tally.steady(gate, fed_s) * weep.drop_g[gate]
    if alarm.leak_g_per_h is None:
        return steady_g
    before_g = tally.until(gate, alarm.t_s) * weep.drop_g[gate]
    later_h = max(fed_s - alarm.t_s, 0.0) / 3600
    return min(steady_g, before_g + 2 * alarm.leak_g_per_h * later_h)


def _went(record: RunRecord, weep: Weep, alarm: Alarm) -> bool:
    """Whether the bottle weighs otherwise since a flood; True where no mass tells.

    Somebody who takes off a weight and puts it back looks like one while he does.
    """
    if alarm.t_s >= record.empty_s:
        # Told by the bottle that it had emptied.
        return True
    until_s = alarm.t_s + FLOWS_UNTIL_S
    # Of one that has just begun only the minute since its alarm tells.
    lost_g = [flowed_g(record, weep, alarm.t_s - s, until_s) for s in (_BEFORE_S, 0.0)]
    return not all(abs(went_g) < _ZERO_G for went_g in lost_g)


def _flooded(record: RunRecord, weep: Weep, alarm: Alarm) -> bool:
    """Whether the bottle lost what a gate's storm of drops says; True where no mass tells."""
    gate = (alarm.carb or 1) - 1
    fed_s = fed_until_s(record, weep)
    drops = record.tally.between(gate, alarm.t_s, fed_s)
    dripped_g = drops * weep.drop_g[gate]
    lost_g = flowed_g(record, weep, alarm.t_s, math.inf)
    if dripped_g < FLOWS_G or not math.isfinite(lost_g):
        return True
    return lost_g + _ZERO_G > _FLOOD_SHARE * dripped_g


def flowed_g(record: RunRecord, weep: Weep, from_s: float, until_s: float) -> float:
    """What the bottle lost from from_s to until_s or as long as it fed, g; NaN: no mass tells.

    Once it feeds no more its weight stands, and the minutes after tell what went until then: those
    before lie before a flood that was shut off at once.
    """
    return record.masses.loss_g(from_s, min(until_s, fed_until_s(record, weep) + _STANDS_S))


def fed_until_s(record: RunRecord, weep: Weep) -> float:
    """Until when the rack was fed: what drips later tells causes, not how large a leak is."""
    shut = record.tally.shut_until_s >= weep.fed_s
    ends_s = [weep.fed_s, record.tally.shut_s if shut else math.nan, record.empty_s]
    return min(t_s for t_s in ends_s if math.isfinite(t_s))
