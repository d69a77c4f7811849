"""Where fuel is leaving: the alarms that the whole record bears out, and the leak at each place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from soakmon.physics.geometry import Bowl
from soakmon.watch.closing import Posterior, chance_of_losing, chance_of_none, leak_given_leaking
from soakmon.watch.figures import plain
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Alarm, Band, Fault
from soakmon.watch.weep import ONSETS, RATE_PRIOR, Weep

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider

FLOODS_G_PER_H = 30.0
_STORM_S = 120.0
# A silence of so many intervals, after so many drops, is the end of a leak; few counts may follow.
_SILENCE, _REGULAR_FROM, _STRAYS = 12.0, 6, 4
_COUNTED_LOW, _COUNTED_HIGH = 0.7, 1.4
_AGAINST, _CONTRADICTED, _PLAINLY = 5.0, 0.01, 0.5


@dataclass(frozen=True, slots=True)
class Found:
    """A leak at a place: carb or None, first drop (or onset) s, its estimate, what drops say.

    until_s: when it stopped by itself, None: not while it was watched.
    """

    carb: int | None
    onset_s: float
    leak: Band
    mass_led: bool
    dripped_g_per_h: float = 0.0
    place: int = 0
    until_s: float | None = None


def standing(decider: Decider, weep: Weep, mass: Floats) -> tuple[list[Alarm], list[Fault]]:
    """Alarms that the whole record still bears out, and those it does not, as faults."""
    kept: list[Alarm] = []
    withdrawn: list[Fault] = []
    for alarm in decider.alarms:
        if _stands(decider, weep, mass, alarm):
            kept.append(alarm)
        elif alarm.carb is None:
            text = "what was taken for a leak came back: the load cell drifts, or there is wind"
            withdrawn.append(Fault(alarm.t_s, "bump", text))
        else:
            text = f"counts at gate {alarm.carb} are not borne out by the mass: not fuel"
            withdrawn.append(Fault(alarm.t_s, "gate_noise", text))
    return kept, withdrawn


def _stands(decider: Decider, weep: Weep, mass: Floats, alarm: Alarm) -> bool:
    if alarm.kind == "flood":
        return True
    if alarm.carb is None:
        return weep.unseen(mass) > 0 or chance_of_none(weep) < _CONTRADICTED
    return _borne_out(decider, weep, mass, alarm)


def _borne_out(decider: Decider, weep: Weep, mass: Floats, alarm: Alarm) -> bool:
    """Whether the mass lets a gate's counts be drops of fuel.

    Where the bottle plainly lost what the counts say, they are, whatever else could explain the
    loss. Else they are not when the mass speaks against a leak that goes on and cannot have lost
    what dripped. What the gate itself counted later does not matter: drops that were sure before
    the sun reached it, or before they stopped, were drops.
    """
    assert alarm.carb is not None
    gate = alarm.carb - 1
    dripped_g = _said_to_have_dripped_g(decider, weep, alarm, gate)
    observed_g = decider.curve.observed_g() or 0.0
    if observed_g - decider.curve.expected().best > _PLAINLY * dripped_g:
        return True
    together, alone = weep.under_gate(gate, mass)[0], weep.under_gate(gate, None)[0]
    against = together < alone - _AGAINST
    return not (against and chance_of_losing(weep, dripped_g) < _CONTRADICTED)


def _said_to_have_dripped_g(decider: Decider, weep: Weep, alarm: Alarm, gate: int) -> float:
    """What an alarm and the gate's counts say has dripped while the feed was open.

    No more than the gate had counted at the alarm and twice the rate it told, from then on. What
    drips while the feed is shut does not come from the bottle.
    """
    fed_s, tally = fed_until_s(decider, weep), decider.tally
    steady_g = tally.steady(gate, fed_s) * weep.drop_g[gate]
    if alarm.leak_g_per_h is None:
        return steady_g
    before_g = (tally.total[gate] - tally.since(gate, alarm.t_s)) * weep.drop_g[gate]
    later_h = max(fed_s - alarm.t_s, 0.0) / 3600
    return min(steady_g, before_g + 2 * alarm.leak_g_per_h * later_h)


def fed_until_s(decider: Decider, weep: Weep) -> float:
    """Until when the rack was fed: what drips later tells causes, not how large a leak is."""
    shut = decider.tally.shut_until_s >= weep.fed_s
    ends_s = [weep.fed_s, decider.tally.shut_s if shut else math.nan, decider.empty_s]
    return min(t_s for t_s in ends_s if math.isfinite(t_s))


def with_closing_alarm(
    decider: Decider, weep: Weep, mass: Floats, alarms: list[Alarm]
) -> list[Alarm]:
    """Add an alarm when a leak is proven only by the whole record, once it is whole."""
    if alarms or not decider.finished or decider.tail(weep) > decider.budget.closing:
        return alarms
    alarm = Alarm(decider.last_s, "weep", None, None, "")
    rate = found_at(decider, weep, mass, alarm).leak.best
    text = f"fuel was leaving that no gate saw: about {plain(rate)} g/h"
    return [Alarm(decider.last_s, "weep", None, rate, text)]


def found_at(decider: Decider, weep: Weep, mass: Floats, alarm: Alarm) -> Found:
    """The leak that an alarm stands for: its first drop or onset, and its estimate."""
    onset_prior = np.log(weep.onset_prior())
    by_onset = np.logaddexp.reduce(mass + np.log(RATE_PRIOR), axis=1) + onset_prior
    active = weep.onset_s < weep.last_s
    mass_onset = int(np.argmax(np.where(active, by_onset, -np.inf)))
    if alarm.kind == "flood" and alarm.leak_g_per_h is not None:
        # The flood is over before the mass can be followed: the storm itself says how much.
        rate = _storm_g_per_h(decider, weep, alarm)
        leak = Band(rate, 0.5 * rate, 2.0 * rate)
        return Found(alarm.carb, alarm.t_s, leak, False, rate, 0)
    if alarm.carb is None:
        leak = leak_given_leaking(weep, mass_onset, 0.0, 0.0, 0.0)
        return Found(None, float(weep.onset_s[mass_onset]), leak, False, 0.0, mass_onset)
    gate = alarm.carb - 1
    _, joint, times = weep.under_gate(gate, mass)
    before = times <= alarm.t_s
    first_s = float(times[int(np.argmax(joint[before].max(axis=1)))]) if any(before) else alarm.t_s
    place = int(np.clip((first_s - weep.start_s) // weep.onset_step_s, 0, ONSETS - 1))
    fed_s = fed_until_s(decider, weep)
    drops = float(decider.tally.since(gate, first_s) - decider.tally.since(gate, fed_s))
    hours = max(fed_s - first_s, 1.0) / 3600.0
    led = by_onset[mass_onset] - by_onset[place] > 3.0 and mass_onset < place - 1
    if led:
        # A weeping needle must first have raised its bowl to the lip.
        rate = leak_given_leaking(weep, mass_onset, 0.0, 0.0, 0.0).best
        before_g = rate * (first_s - weep.onset_s[mass_onset]) / 3600
        led = before_g > 0.4 * _rise_g(decider, gate)
    onset = mass_onset if led else place
    drowned = weep.under_gate(gate, None)[0] < 0
    if drowned and alarm.leak_g_per_h is not None:
        # Sun on the gate: its counts are no longer drops, which are taken to have gone on.
        drops = alarm.leak_g_per_h * hours / weep.drop_g[gate]
    until_s = None if drowned else _stopped_s(decider, weep, gate, first_s)
    if until_s is not None:
        # What the mass says of a leak that goes on does not hold: the drops alone tell how much.
        rate = drops * weep.drop_g[gate] / max(until_s - first_s, 60.0) * 3600
        leak = Band(rate, _COUNTED_LOW * rate, _COUNTED_HIGH * rate)
        return Found(alarm.carb, first_s, leak, bool(led), rate, onset, until_s)
    leak = leak_given_leaking(weep, onset, drops, hours, weep.drop_g[gate])
    said = drops * weep.drop_g[gate] / hours
    return Found(alarm.carb, first_s, leak, bool(led), said, onset)


def _stopped_s(decider: Decider, weep: Weep, gate: int, first_s: float) -> float | None:
    """When the drops of a gate ended while the feed was open; None when they go on."""
    fed_s = fed_until_s(decider, weep)
    times = [t for t in decider.tally.times[gate] if first_s <= t <= fed_s]
    if len(times) < _REGULAR_FROM:
        return None
    gaps = np.diff(times)
    # A dark count long after the last drop must not hide that it was the last.
    ends = np.flatnonzero(gaps > _SILENCE * np.median(gaps))
    last = times[int(ends[-1])] if len(ends) and len(times) - ends[-1] < _STRAYS else times[-1]
    return last if fed_s - last > _SILENCE * float(np.median(gaps)) else None


def _storm_g_per_h(decider: Decider, weep: Weep, alarm: Alarm) -> float:
    """Rate of a flood: drops of the two minutes after the alarm, or what the alarm said."""
    said = alarm.leak_g_per_h or 0.0
    if alarm.carb is None:
        return said
    until_s = min(alarm.t_s + _STORM_S, decider.last_row_s)
    gate = alarm.carb - 1
    drops = decider.tally.since(gate, alarm.t_s) - decider.tally.since(gate, until_s)
    counted = drops * weep.drop_g[gate] / max(until_s - alarm.t_s, 10.0) * 3600
    return max(said, counted)


def _rise_g(decider: Decider, gate: int) -> float:
    """Fuel that lifts the level of a bowl from shut-off to the overflow lip."""
    bowls = decider.settings.geometry.bowls or (Bowl(),)
    bowl = bowls[min(gate, len(bowls) - 1)]
    return 1e-6 * bowl.area_mm2 * bowl.headroom_mm * decider.settings.fuel.density_15c_kg_per_m3


def explained(found: list[Found]) -> list[Found]:
    """Leave out a leak no gate sees when those the gates see account for the loss."""
    by_carb: dict[int, Found] = {}
    for one in found:
        if one.carb is not None:
            by_carb.setdefault(one.carb, one)
    seen = list(by_carb.values())
    if not seen:
        return found[:1]
    said = sum(max(one.dripped_g_per_h, one.leak.low) for one in seen)
    unseen = [one for one in found if one.carb is None]
    return seen + [one for one in unseen if one.leak.low > 2 * said + 0.3]


def total_leak(weep: Weep, found: list[Found], belief: Posterior) -> Band:
    """Leak of all places together, g/h: the mass sees the sum, the drops tell how it divides."""
    if not found:
        return belief.leak
    if len(found) == 1 or any(one.dripped_g_per_h > FLOODS_G_PER_H for one in found):
        return max((one.leak for one in found), key=lambda leak: leak.best)
    dripped = sum(one.dripped_g_per_h for one in found)
    first = min(one.place for one in found)
    if dripped == 0:
        return max((one.leak for one in found), key=lambda leak: leak.best)
    # One equivalent drop stream: as many grams an hour as all gates together.
    return leak_given_leaking(weep, first, 100.0, 100.0, dripped)
