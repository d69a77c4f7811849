"""What the evidence so far gives alarm of: leaks at gates, and one that no gate sees.

A gate is named by its drops, or by the mass where that already says that fuel leaves and the drops
account for it. All that is asked here pays from the false-alarm budget; a flood does not.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD
from soakmon.watch.balance import chance_of_so_much, contradicts, possible, usual
from soakmon.watch.closing import tail
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.standing import counted, went_meanwhile
from soakmon.watch.verdict import Alarm, leak_alarm
from soakmon.watch.weep import LEAKS, Weep

# What a gate has caught is what the bottle lost when they differ by no more than drops of different
# lips do, from so many grams on.
_ALIKE = NORMAL_95 * BETWEEN_LIPS_LOG_SD
_DRIPPED_G = judgement(2.0, "g")
_EXCEEDS = judgement(0.05, "chance")
_OF_UNSURE = judgement(0.4, "share")
_STEADY = judgement(0.7, "share")
# Counts are the drops of a known loss when they are so much likelier drops than anything but a
# coincidence, and at least such a part of it: gates lose drops, and a bowl fills before it drips.
_NAMED = judgement(10.0, "e-folds")
_PART = judgement(0.25, "share")
# They have come for so long, and the middle half of them in such a share of it: sun comes and goes.
_NAMED_FROM_S = judgement(3 * 3600.0, "s")
_EVENLY = judgement(0.3, "share")
# The middle half of what falls within that may be the sun's, however much it weighs.
_BURST_S = judgement(3600.0, "s")
# A fill is found so soon (judgement).
_FILL_SEEN_S = judgement(1200.0, "s")


def new_alarms(record: RunRecord, weep: Weep) -> list[Alarm]:
    """Alarms of weeps that have crossed their threshold, beside those of the record."""
    mass = weep.mass_log_ratio()
    alarms = list(record.alarms)
    alarmed = {alarm.carb for alarm in alarms}
    trickles = record.finder.may_fill_thinly
    loses = not alarmed and not trickles and mass_says_so(record, weep, mass)
    # At the end counts may account for a loss that few tight benches have.
    exceeds = record.finished and record.mass_running
    exceeds = exceeds and chance_of_so_much(record, weep) < _EXCEEDS
    for index, gate in enumerate(weep.gates):
        asked = gate.has_news(weep.weighed_s) or ((loses or exceeds) and gate.count)
        if index + 1 in alarmed or not asked:
            continue
        rate = 0.0
        if _drips(record, alarms, weep, mass, index, loses=loses):
            joint = weep.under_gate(index, mass)[1]
            rate = float(LEAKS[int(joint.max(axis=0).argmax())])
        elif loses or None in alarmed:
            rate = names_g_per_h(record, weep, mass, index)
        elif exceeds and _comes_on(record, weep, index):
            rate = accounted_g_per_h(record, weep, index)
        if rate and went_meanwhile(record, weep, index):
            alarms.append(leak_alarm(record.last_row_s, "weep", index + 1, rate))
            alarmed.add(index + 1)
    if loses and not alarmed and not usual(record, weep, mass):
        rate = float(LEAKS[int(mass.max(axis=0).argmax())])
        alarms.append(leak_alarm(record.last_row_s, "weep", None, rate))
    return alarms[len(record.alarms) :]


def _drips(
    record: RunRecord, alarms: list[Alarm], weep: Weep, mass: Floats, index: int, *, loses: bool
) -> bool:
    """Whether a gate counts drops of fuel; loses: the mass by itself says that fuel leaves.

    Where it does, regular counts are not water, however late the mass was to follow them.
    """
    surely = -np.log(record.budget.weep_gate)
    # A flood splashes: beside it drops at other gates need the mass to bear them out.
    beside = bool(alarms) and all(alarm.kind == "weep" for alarm in alarms)
    if weep.gate_ratio(index, mass, beside=beside) > surely:
        return True
    return loses and weep.under_gate(index, None)[0] > surely


def names_g_per_h(record: RunRecord, weep: Weep, mass: Floats, index: int) -> float:
    """Rate of a gate that sees what the bottle is known to lose, or a part of it; else 0."""
    on = _comes_on(record, weep, index)
    accounted = accounted_g_per_h(record, weep, index) if on else 0.0
    return accounted or named_g_per_h(record, weep, mass, index)


def _comes_on(record: RunRecord, weep: Weep, index: int) -> bool:
    """Whether what a gate counts is not all of one hour, as what the sun makes may be."""
    counts_s = counted(record, weep, index)[0]
    if not len(counts_s) or record.last_row_s - float(counts_s[0]) < _NAMED_FROM_S:
        return len(counts_s) > 0
    return _middle_half_s(counts_s) > _BURST_S


def _middle_half_s(counts_s: Floats) -> float:
    """How long the middle half of the counts took to come."""
    early_s, late_s = np.quantile(counts_s, (0.25, 0.75))
    return float(late_s - early_s)


def accounted_g_per_h(record: RunRecord, weep: Weep, index: int) -> float:
    """Rate of a gate whose drops are just what the bottle surely loses; else 0.

    However they come: rows may be too long to show that they keep time, and some drops keep
    none. But they come all the time, and what the sun or a fly makes comes in bursts.
    """
    dripped_g = record.tally.since(index, record.soak_s) * weep.drop_g[index]
    steady_g = record.tally.steady(index, record.last_row_s) * weep.drop_g[index]
    lost_g, unsure_g = _beyond_expected_g(record)
    alike = abs(lost_g - dripped_g) < _ALIKE * dripped_g + unsure_g
    least_g = max(_DRIPPED_G, 2 * _OF_UNSURE * unsure_g)
    enough = dripped_g > least_g and steady_g > _STEADY * dripped_g
    if not alike or not enough:
        return 0.0
    return dripped_g / max((record.last_row_s - record.soak_s) / 3600, 0.1)


def named_g_per_h(record: RunRecord, weep: Weep, mass: Floats, index: int) -> float:
    """Rate of a gate that plainly drips beside a loss that is known, of which it may see a part; 0.

    That fuel leaks unseen while something else makes counts like drops, for hours and in step with
    it, is less likely than that both are one.
    """
    counts_s, dripped_g = counted(record, weep, index)
    if not len(counts_s) or weep.drips(index) + max(weep.in_step(index, mass), 0.0) < _NAMED:
        return 0.0
    lasts_s = record.last_row_s - float(counts_s[0])
    if lasts_s < _NAMED_FROM_S or _middle_half_s(counts_s) < _EVENLY * lasts_s:
        return 0.0
    lost_g, unsure_g = _beyond_expected_g(record)
    part = dripped_g > max(_DRIPPED_G, _PART * (lost_g - unsure_g))
    fed = dripped_g < (1 + _ALIKE) * lost_g + unsure_g
    return dripped_g / (lasts_s / 3600) if part and fed else 0.0


def _beyond_expected_g(record: RunRecord) -> tuple[float, float]:
    """What the bottle lost beyond what a tight rack is expected to lose, and half its band, g."""
    expected = record.curve.expected()
    lost_g = (record.curve.observed_g() or 0.0) - expected.best
    return lost_g, (expected.high - expected.low) / 2


def mass_says_so(record: RunRecord, weep: Weep, mass: Floats) -> bool:
    """Whether the mass by itself says that fuel leaves.

    The ratio finds what begins late, the tail what is small: it pays nothing for the rates that
    a leak might have had.
    """
    if weep.lost_g(mass) < weep.strays_g:
        return False
    enough = -np.log(record.budget.weep_mass)
    small = tail(record, weep) < record.budget.running
    if not (small or weep.unseen(mass) > enough) or contradicts(record, weep, mass):
        return False
    borne = possible(record, weep, mass)
    return weep.unseen(borne) > enough or (small and borne.max() == mass.max())


def of_fill(alarms: list[Alarm], found_s: float, flows_s: float) -> list[Alarm]:
    """Those alarms that are not of the quiet before a fill: found at found_s, it flows since then.

    A bowl that overflows while the rack fills may do so minutes before the fill is plain.
    """

    def since_s(alarm: Alarm) -> float:
        overflows = alarm.kind == "flood" and alarm.carb is not None
        return flows_s - _FILL_SEEN_S if overflows else found_s

    return [alarm for alarm in alarms if alarm.t_s > since_s(alarm)]
