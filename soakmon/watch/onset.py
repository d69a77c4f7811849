"""Since when a leak has leaked, as a bracket, and when it stopped by itself."""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import DRIES_G_PER_H
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.weep import ONSETS, RATE_PRIOR, TO_LIP_S, Weep

# A silence of so many intervals, after so many drops, is the end of a leak; few counts may follow.
_SILENCE = judgement(12.0, "intervals")
_REGULAR_FROM = judgement(6, "drops")
_STRAYS = judgement(4, "counts")
# Before its first drop a leak has wetted the place and gathered, for so many intervals between
# drops as a rule, and at most; and it was on its way for twice the mean at most (judgement).
GATHERS = judgement(2.0, "intervals")
_MOST_GATHERS = judgement(3.0, "intervals")
_ON_ITS_WAY_S = 2 * TO_LIP_S
# Onsets that the record does not tell apart are weighed together, so many at most.
_APART = judgement(5.0, "e-folds")
_MOST_ONSETS = effort(16, "onsets")
# A flood is told within minutes: what went in the hour before is its own, but for a sip; its pace
# then is that of later to this share; and told by drops it began this long before at most.
_LOOKS_BACK_S = judgement(3600.0, "s")
_SIP_G = judgement(0.5, "g")
_PACE = judgement(0.2, "share")
_STORM_BEGINS_S = judgement(120.0, "s")
_MINUTE_S = effort(60.0, "s")
# From so many grams on the bottle shows whether a leak that drips no more goes on beside the gate.
_SHOWS_G = judgement(1.0, "g")
_AS_BEFORE = judgement(0.5, "share")


def by_onset(weep: Weep, mass: Floats) -> Floats:
    """(J,) log-weight of each onset by the mass alone; none of those that lie ahead."""
    weight = np.logaddexp.reduce(mass + np.log(RATE_PRIOR), axis=1) + np.log(weep.onset_prior())
    # The first one at any rate, also while the soak has hardly begun.
    ahead = weep.onset_s[1:] >= weep.last_s
    weight[1:][ahead] = -np.inf
    return np.asarray(weight)


def only(onset: int) -> Floats:
    """(J,) log-weights of one onset."""
    return np.where(np.arange(ONSETS) == onset, 0.0, -np.inf)


def likely_onsets(onsets: Floats) -> list[int]:
    """Places of the onsets that `by_onset` does not tell apart, the likeliest first."""
    order = np.argsort(-onsets)[:_MOST_ONSETS]
    return [int(onset) for onset in order if onsets[onset] > onsets[order[0]] - _APART]


def flowing(weep: Weep, onsets: Floats, filled_s: float) -> tuple[float, float]:
    """95 % bracket (s) of the beginning of a leak that the mass dates, from `by_onset`.

    filled_s: since when there has been fuel in the rack.
    """
    low, high = _middle(onsets)
    # Between two onsets of the grid it may have begun at any time; before the first two, as soon as
    # there was fuel: while the rack still settled.
    since_s = float(weep.onset_s[low - 1]) if low > 1 else min(filled_s, weep.start_s)
    return since_s, float(weep.onset_s[high] + weep.onset_step_s)


def dripping(
    weep: Weep, gate: int, joint: Floats, times: Floats, *, drips_g_per_h: float, filled_s: float
) -> tuple[float, float]:
    """The same of a leak under a gate: before its first drop, by what it takes to make one.

    joint, times: of `Weep.under_gate`. What drips no faster than a wet patch dries may have leaked
    from the fill on without a drop.
    """
    low, high = _middle(np.logaddexp.reduce(joint, axis=1))
    gathers_s = _MOST_GATHERS * 3600 * weep.drop_g[gate] / max(drips_g_per_h, 1e-6) + _ON_ITS_WAY_S
    latest_s = float(times[high])
    since_s = filled_s if drips_g_per_h < DRIES_G_PER_H else float(times[low]) - gathers_s
    return min(max(since_s, filled_s), latest_s), latest_s


def pouring(record: RunRecord, alarm_s: float, g_per_h: float) -> tuple[float, float]:
    """The same of a flood of so much, told at alarm_s: since it has lost what it had by then.

    By the bottle, so none of one that the bottle does not feed, or that it has not shown yet.
    """
    latest_s = alarm_s - _STORM_BEGINS_S
    # What was taken for a bowl that filled late hides nothing.
    filled_s = record.filled_s if record.filled_s < alarm_s else record.start_s
    began_s = record.masses.began_s(max(alarm_s - _LOOKS_BACK_S, filled_s), alarm_s, g_per_h)
    if not began_s < latest_s:
        return latest_s, alarm_s
    # What the fill took hides when it began.
    began_s = max(began_s, filled_s)
    off_s = 3600 * _SIP_G / g_per_h + _PACE * (alarm_s - began_s) + _MINUTE_S
    return max(began_s - off_s, filled_s), min(began_s + off_s, alarm_s)


def _middle(log_weight: Floats) -> tuple[int, int]:
    """First and last place of the middle 95 % of a distribution given as logarithms."""
    weight = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight) / weight.sum()
    low, high = np.searchsorted(cumulative, (0.025, 0.975))
    last = len(weight) - 1
    return min(int(low), last), min(int(high), last)


def runs_from_s(
    record: RunRecord, gate: int, first_s: float, alarm_s: float, fed_s: float
) -> float:
    """When the drops of a gate run since, s: not since a count or two that stood alone, before.

    first_s: the first that may have been a drop; what was told at alarm_s had begun by then.
    """
    times = np.array([t for t in record.tally.times[gate] if first_s <= t <= fed_s])
    if len(times) < _REGULAR_FROM:
        return first_s
    gaps = np.diff(times)
    before = np.flatnonzero(gaps[: _STRAYS - 1] > _SILENCE * np.median(gaps))
    run_s = float(times[before[-1] + 1]) if len(before) else first_s
    return run_s if run_s <= alarm_s else first_s


def silent_s(record: RunRecord, carb: int, first_s: float, fed_s: float) -> float | None:
    """When the drops of a gate ended while the feed was open, s; None when they go on.

    first_s: its first drop; fed_s: until when the bottle fed the rack.
    """
    times = [t for t in record.tally.times[carb - 1] if first_s <= t <= fed_s]
    if len(times) < _REGULAR_FROM:
        return None
    gaps = np.diff(times)
    # A dark count long after the last drop must not hide that it was the last.
    ends = np.flatnonzero(gaps > _SILENCE * np.median(gaps))
    last = times[int(ends[-1])] if len(ends) and len(times) - ends[-1] < _STRAYS else times[-1]
    silent = fed_s - last > _SILENCE * float(np.median(gaps))
    return last if silent else None


def bottle_goes_on(
    record: RunRecord, carb: int, first_s: float, last_s: float, fed_s: float
) -> bool:
    """Whether the bottle lost as much after the last drop as before: the gate sees it no more."""
    weep = record.weep
    assert weep is not None
    drops = record.tally.between(carb - 1, first_s, last_s)
    during_h, after_h = (last_s - first_s) / 3600, (fed_s - last_s) / 3600
    dripped_g_per_h = drops * weep.drop_g[carb - 1] / max(during_h, 1e-3)
    during = record.masses.loss_g(first_s, last_s) / max(during_h, 1e-3)
    after = record.masses.loss_g(last_s, fed_s) / max(after_h, 1e-3)
    if not (math.isfinite(during) and math.isfinite(after)) or dripped_g_per_h * after_h < _SHOWS_G:
        return False
    return during - after < _AS_BEFORE * dripped_g_per_h and during > _AS_BEFORE * dripped_g_per_h
