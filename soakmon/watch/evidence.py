"""What the record of a soak says about the cause of a leak that was found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.watch.balance import mass_log_weight
from soakmon.watch.causes import Evidence
from soakmon.watch.closing import leak_given_leaking
from soakmon.watch.decay import PARTS, Shut
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.leak_estimates import rise_at
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.onset import GATHERS, only
from soakmon.watch.record import RunRecord
from soakmon.watch.sips import Drip, drip
from soakmon.watch.standing import fed_until_s
from soakmon.watch.verdict import Cause
from soakmon.watch.weep import Weep

# Less than this with the feed shut, and what drips then tells nothing.
_SHUT_FROM_S = judgement(180.0, "s")
_LOSES_FROM_H = judgement(0.15, "h")
_DROPS_FROM = judgement(2, "drops")
_RECENT = judgement(30, "drops")
_JUST_BEGUN_S = judgement(60.0, "s")
# Drops that follow each other faster beat against the rows.
_ROWS_APART = judgement(10.0, "rows")


def evidence(record: RunRecord, leak: LocatedLeak, leaks: list[LocatedLeak]) -> Evidence:
    """How a leak showed; leaks: all leaks of the soak."""
    tally, weep = record.tally, record.weep
    assert weep is not None
    total = max(other.leak.best for other in leaks)
    # With several leaks the mass sees their sum: each has the share that its drops have.
    dripped_g_per_h = sum(other.dripped_g_per_h for other in leaks)
    shared = len(leaks) > 1 and dripped_g_per_h > 0
    rate = total * leak.dripped_g_per_h / dripped_g_per_h if shared else leak.leak.best
    lost = tally.shut_loss_g > 0.5 * rate * tally.shut_h and tally.shut_h > _LOSES_FROM_H
    return Evidence(
        leak.carb,
        1.0 / len(leaks),
        rate,
        _delay_h(record, leak),
        leak.mass_led,
        *_caught(record, weep, leak, leaks),
        _while_shut(record, leak),
        bool(lost),
        _drip(record, weep, leak),
        leak.lost_g or rate * max(fed_until_s(record, weep) - leak.onset_s, 0.0) / 3600,
        shift(record, leak.carb),
        rise_g=rise_at(record, leak.carb),
        ended=leak.until_s is not None,
    )


def _caught(
    record: RunRecord, weep: Weep, leak: LocatedLeak, leaks: list[LocatedLeak]
) -> tuple[float, float]:
    """What dripped over what the mass by itself lost, and its sd; of one leak that goes on."""
    if len(leaks) > 1 or leak.until_s is not None or leak.dripped_g_per_h > FLOODS_G_PER_H:
        return 1.0, math.inf
    lost = leak_given_leaking(mass_log_weight(record, weep, only(leak.place)))
    return leak.dripped_g_per_h / lost.best, (lost.high - lost.low) / (4 * lost.best)


def shift(record: RunRecord, carb: int | None) -> Mapping[Cause, float]:
    """What the job record says of a carb; nothing of a place that no gate sees."""
    return record.settings.cause_shift.get(carb, {}) if carb is not None else {}


def _filled_s(record: RunRecord) -> float:
    return record.finder.fill.ended_s if record.finder.fill.found else record.start_s


def _drop_g(record: RunRecord, leak: LocatedLeak) -> float:
    drops = record.weep.drop_g if record.weep is not None else []
    return drops[leak.carb - 1] if leak.carb is not None and drops else 0.0


def _delay_h(record: RunRecord, leak: LocatedLeak) -> float:
    """From the end of the fill until it leaked: the first drop took its time to gather.

    Up to twice as long as the next ones: at first the place was dry, and what wets it dries again.
    """
    delay_h = (leak.onset_s - _filled_s(record)) / 3600
    if leak.dripped_g_per_h > 0 and not leak.mass_led:
        delay_h -= GATHERS * _drop_g(record, leak) / leak.dripped_g_per_h
    return max(delay_h, 0.0)


def _drip(record: RunRecord, weep: Weep, leak: LocatedLeak) -> Drip | None:
    """How the drip went while the feed was open."""
    if leak.carb is None:
        return None
    gate = leak.carb - 1
    times = np.array(record.tally.times[gate])
    fed = (times >= leak.onset_s) & (times <= fed_until_s(record, weep))
    counts = np.array(record.tally.counts[gate])[fed]
    row_s = (record.last_row_s - record.start_s) / max(record.tally.rows_seen, 1)
    if len(counts) < _DROPS_FROM or np.median(np.diff(times[fed])) < _ROWS_APART * row_s:
        return None
    return drip(times[fed], counts, _drop_g(record, leak), *record.curve.bowl_needs())


def _while_shut(record: RunRecord, leak: LocatedLeak) -> Shut | None:
    """What the gate counted before and after the feed was shut for the last time."""
    tally = record.tally
    shut_s, end_s = tally.shut_s, tally.shut_until_s
    if leak.carb is None or not end_s - shut_s > _SHUT_FROM_S:
        return None
    gate = leak.carb - 1
    # A flood is dated by its alarm, which its first drops have raised.
    since_s = leak.onset_s - _JUST_BEGUN_S
    before = [t for t in tally.times[gate] if since_s <= t <= shut_s]
    if len(before) < _DROPS_FROM:
        return None
    before = before[-_RECENT:]
    if before[-1] - before[0] < _JUST_BEGUN_S:
        # The first drops of a flood come slower than it goes on.
        before = before[-max(len(before) // 2, _DROPS_FROM) :]
    counted = tally.between(gate, before[0], before[-1])
    later = [tally.since(gate, t) for t in np.linspace(shut_s, end_s, PARTS + 1).tolist()]
    return Shut(
        counted,
        max(before[-1] - before[0], 1.0) / 3600,
        (end_s - shut_s) / 3600,
        tuple(earlier - after for earlier, after in pairwise(later)),
        _drop_g(record, leak),
        record.evaporation.bowl_g_per_h,
        record.settings.hose_g,
    )
