"""Faults of sensors and bench that a run has shown, told with what to do."""

from __future__ import annotations

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD
from soakmon.texts import say
from soakmon.watch.figures import after_start, plain
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.record import RunRecord
from soakmon.watch.verdict import Alarm, Fault

# From this loss of bottle and hose on, the least of it must show, g; and of all parts some share.
_SHOWS_G = judgement(0.15, "g")
_WOULD_SHOW_G = judgement(1.0, "g")
_AS_GOOD_AS_NOTHING = judgement(0.05, "share")

# A gate that says nothing so often, counts in more rows than that, or so much without a leak
# (judgement).
_BLANK = judgement(0.5, "share")
_OFTEN = judgement(0.2, "share")
_NOISY_FROM = judgement(12, "counts")
# Drops of a lip that makes small ones, over those of the usual lip.
_LIGHT_DROPS = float(np.exp(-NORMAL_95 * BETWEEN_LIPS_LOG_SD))
# Told apart from so long on: knocks, and time without a temperature; and no more knocks than that.
_APART_S = judgement(600, "s")
_MOST_KNOCKS = effort(50, "knocks")


def gate_faults(record: RunRecord, alarms: list[Alarm]) -> list[Fault]:
    """Gates that say nothing, never stop, or count what is not fuel."""
    faults = []
    leaking = {alarm.carb for alarm in alarms}
    tally = record.tally
    for gate in range(tally.gates):
        if tally.blank[gate] > _BLANK * max(tally.rows_seen, 1):
            text = say("faults.gate_gave_no_counts_most", gate=gate + 1)
            faults.append(Fault(record.start_s, "gate_stuck", text, gate + 1))
        if gate + 1 in leaking or tally.total[gate] < _NOISY_FROM:
            continue
        often = tally.rows_hit[gate] > _OFTEN * max(tally.rows_seen, 1)
        kind = "gate_stuck" if often else "gate_noise"
        # Beside a leak elsewhere nobody can say that they are none: two leaks are two.
        key = "faults.counts_without_pause" if often else "faults.counts_are_not_fuel"
        if leaking and not often:
            key = "faults.counts_or_leak"
        elif not often and _may_be_fuel(record, gate):
            key = "faults.counts_may_be_fuel"
        text = say(key, gate=gate + 1, count=tally.total[gate])
        faults.append(Fault(tally.times[gate][0], kind, text, gate + 1))
    return faults


def _may_be_fuel(record: RunRecord, gate: int) -> bool:
    """Whether the bottle may have lost as much as a gate's counts would weigh."""
    observed_g, weep = record.curve.observed_g(), record.weep
    if observed_g is None or weep is None:
        return True
    least_g = record.tally.total[gate] * weep.drop_g[gate] * _LIGHT_DROPS
    return least_g < observed_g - record.curve.expected().low


def other_faults(record: RunRecord) -> list[Fault]:
    """Knocks, a missing temperature and an empty bottle."""
    faults = [Fault(t, "bump", say("faults.knock_several_gates_once")) for t in _apart(record)]
    tally = record.tally
    if tally.no_air_s > _APART_S:
        text = say("faults.no_air_temperature_min_last", no_air_s=f"{tally.no_air_s / 60:.0f}")
        faults.append(Fault(tally.temperature_lost_s, "temperature_missing", text))
    if lost_nothing(record):
        text = say("faults.reading_did_not_fall_as")
        faults.append(Fault(record.soak_s, "cell_frozen", text))
    if np.isfinite(record.empty_s):
        text = say("faults.bottle_ran_dry_fill_start")
        faults.append(Fault(record.empty_s, "bottle_empty", text))
    return faults


def late_fills(record: RunRecord, alarms: list[Alarm]) -> list[Fault]:
    """Fuel that went into the rack after its fill: no leak, but a needle that sticks.

    alarms: those that stand; what is told as a leak that no gate sees is not told as a bowl.
    """
    leaks_s = [alarm.t_s for alarm in alarms if alarm.leaks and alarm.carb is None]
    return [
        Fault(
            late.since_s,
            "bump",
            say(
                "faults.bowl_filled_late",
                took=plain(late.took_g),
                ended=after_start(late.until_s - record.start_s),
            ),
        )
        for late in record.finder.fill.late.fills
        if not any(late.since_s <= t_s <= late.until_s for t_s in leaks_s)
    ]


def lost_nothing(record: RunRecord) -> bool:
    """Whether less was lost than bottle and hose alone must lose: a bridge that only looks alive.

    Bowls may live on what they hold for a night; a bottle cannot. And hardly any bench loses as
    good as nothing.
    """
    observed, best = record.curve.observed_g(), record.curve.evaporated().best
    surely = record.curve.spread.least_feed * record.evaporation.bottle_hose_g
    if observed is None:
        return False
    return (surely > _SHOWS_G and observed < surely) or (
        best > _WOULD_SHOW_G and observed < _AS_GOOD_AS_NOTHING * best
    )


def _apart(record: RunRecord) -> list[float]:
    """Times of knocks at least ten minutes apart."""
    times: list[float] = []
    for t_s in record.tally.knocks_s:
        if not times or t_s - times[-1] > _APART_S:
            times.append(t_s)
    return times[:_MOST_KNOCKS]
