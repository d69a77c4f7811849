"""From evidence to the verdict: which of the three, why, and what is behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from soakmon.physics.geometry import Bowl
from soakmon.watch.causes import Evidence, rank
from soakmon.watch.closing import Posterior, leak_given_leaking, posterior, smallest_provable
from soakmon.watch.rows import Floats
from soakmon.watch.verdict import Alarm, Band, Fault, Outcome, Suspect, Verdict
from soakmon.watch.weep import ONSETS, RATE_PRIOR, Weep

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider

_BELIEVED = 0.02
_UNSURE_GATE = 0.2
_BLIND_SHARE = 0.1
_FLOODS = 30.0


@dataclass(frozen=True, slots=True)
class _Found:
    """A leak at a place: carb or None, first drop (or onset) s, its estimate, what drops say."""

    carb: int | None
    onset_s: float
    leak: Band
    mass_led: bool
    dripped_g_per_h: float = 0.0
    place: int = 0


def conclude(decider: Decider) -> Verdict:
    """The verdict on what a decider has seen so far."""
    weep = decider.weep
    if weep is None or not decider.mass_running:
        return _too_early(decider)
    mass = weep.mass_log_ratio()
    belief = posterior(weep, decider.settings.criterion_g_per_day / 24.0)
    alarms, withdrawn = _standing(decider, weep, mass)
    alarms = _closing_alarm(decider, weep, mass, alarms)
    found = _explained([_found(decider, weep, mass, alarm) for alarm in alarms])
    worst = max(found, key=lambda one: one.leak.best, default=None)
    smallest = smallest_provable(weep, *((worst.place, worst.leak.best) if worst else ()))
    faults = [*decider.follower.faults, *_gate_faults(decider, weep, alarms), *withdrawn]
    faults += _other_faults(decider)
    short = decider.finder.bowls_short(decider.bowl_g)
    if short:
        alarms.append(_starved(decider, short))
    doubts = _doubts(decider, belief, smallest, faults, short)
    outcome, reason = _outcome(decider, belief, found, doubts)
    return Verdict(
        outcome,
        reason,
        decider.last_s - decider.start_s,
        decider.curve.observed_g(),
        decider.curve.expected(),
        _total(weep, found, belief),
        smallest,
        tuple(decider.tally.total),
        tuple(sorted(alarms, key=lambda alarm: alarm.t_s)),
        _suspects(decider, belief, found, short),
        tuple(sorted(faults, key=lambda fault: fault.t_s)),
    )


def _too_early(decider: Decider) -> Verdict:
    nothing = Band(0.0, 0.0, 0.0)
    duration = decider.last_s - decider.start_s if np.isfinite(decider.last_s) else 0.0
    leaking = bool(decider.alarms)
    carbs = [a.carb for a in decider.alarms]
    places = [Evidence(c, 1.0 / len(carbs), 100.0, 0.1, False) for c in carbs]
    return Verdict(
        Outcome.LEAKING if leaking else Outcome.NOT_PROVEN,
        decider.alarms[0].text if leaking else "the run ended before the soak began",
        duration,
        None,
        nothing,
        nothing,
        None,
        tuple(decider.tally.total),
        tuple(decider.alarms),
        rank(places, 0.0 if leaking else 1.0, bowls_short=0, carbs=decider.tally.gates),
        tuple(_other_faults(decider)),
    )


def _standing(decider: Decider, weep: Weep, mass: Floats) -> tuple[list[Alarm], list[Fault]]:
    """Alarms that the whole record still bears out, and those it does not, as faults."""
    standing: list[Alarm] = []
    withdrawn: list[Fault] = []
    for alarm in decider.alarms:
        ratio = 1.0
        if alarm.carb is not None and alarm.kind != "flood":
            ratio = weep.gate_ratio(alarm.carb - 1, mass)
        if ratio > 0:
            standing.append(alarm)
        else:
            text = f"counts at gate {alarm.carb} are not borne out by the mass: not fuel"
            withdrawn.append(Fault(alarm.t_s, "gate_noise", text))
    return standing, withdrawn


def _closing_alarm(decider: Decider, weep: Weep, mass: Floats, alarms: list[Alarm]) -> list[Alarm]:
    """Add an alarm when a leak from the start is proven only by the whole record."""
    if alarms:
        return alarms
    from_start = mass[0] + np.log(RATE_PRIOR)
    if np.logaddexp.reduce(from_start) <= -np.log(decider.budget.closing):
        return alarms
    rate = leak_given_leaking(weep, 0, 0.0, 0.0, 0.0).best
    text = f"fuel was leaving from the start that no gate saw: about {rate:.2g} g/h"
    return [Alarm(decider.last_s, "weep", None, rate, text)]


def _found(decider: Decider, weep: Weep, mass: Floats, alarm: Alarm) -> _Found:
    onset_prior = np.log(weep.onset_prior())
    by_onset = np.logaddexp.reduce(mass + np.log(RATE_PRIOR), axis=1) + onset_prior
    active = weep.onset_s < weep.last_s
    mass_onset = int(np.argmax(np.where(active, by_onset, -np.inf)))
    if alarm.kind == "flood" and alarm.leak_g_per_h is not None:
        # The flood is over before the mass can be followed: the storm itself says how much.
        rate = alarm.leak_g_per_h
        leak = Band(rate, 0.5 * rate, 2.0 * rate)
        return _Found(alarm.carb, alarm.t_s, leak, False, rate, 0)
    if alarm.carb is None:
        leak = leak_given_leaking(weep, mass_onset, 0.0, 0.0, 0.0)
        return _Found(None, float(weep.onset_s[mass_onset]), leak, False, 0.0, mass_onset)
    gate = alarm.carb - 1
    _, joint, times = weep.under_gate(gate, mass)
    first_s = float(times[int(np.argmax(joint.max(axis=1)))]) if len(times) else alarm.t_s
    place = int(np.clip((first_s - weep.start_s) // weep.onset_step_s, 0, ONSETS - 1))
    drops = decider.tally.since(gate, first_s)
    hours = max(weep.last_s - first_s, 60.0) / 3600.0
    led = by_onset[mass_onset] - by_onset[place] > 3.0 and mass_onset < place - 1
    if led:
        # A weeping needle must first have raised its bowl to the lip.
        rate = leak_given_leaking(weep, mass_onset, 0.0, 0.0, 0.0).best
        before_g = rate * (first_s - weep.onset_s[mass_onset]) / 3600
        led = before_g > 0.4 * _rise_g(decider, gate)
    onset = mass_onset if led else place
    leak = leak_given_leaking(weep, onset, drops, hours, weep.drop_g[gate])
    said = drops * weep.drop_g[gate] / hours
    return _Found(alarm.carb, first_s, leak, bool(led), said, onset)


def _rise_g(decider: Decider, gate: int) -> float:
    """Fuel that lifts the level of a bowl from shut-off to the overflow lip."""
    bowls = decider.settings.geometry.bowls or (Bowl(),)
    bowl = bowls[min(gate, len(bowls) - 1)]
    return 1e-6 * bowl.area_mm2 * bowl.headroom_mm * decider.settings.fuel.density_15c_kg_per_m3


def _explained(found: list[_Found]) -> list[_Found]:
    """Leave out a leak no gate sees when those the gates see account for the loss."""
    seen = [one for one in found if one.carb is not None]
    if not seen:
        return found
    said = sum(max(one.dripped_g_per_h, one.leak.low) for one in seen)
    unseen = [one for one in found if one.carb is None]
    return seen + [one for one in unseen if one.leak.low > 2 * said + 0.3]


def _total(weep: Weep, found: list[_Found], belief: Posterior) -> Band:
    """Leak of all places together, g/h: the mass sees the sum, the drops tell how it divides."""
    if not found:
        return belief.leak
    if len(found) == 1 or any(one.dripped_g_per_h > _FLOODS for one in found):
        return max((one.leak for one in found), key=lambda leak: leak.best)
    dripped = sum(one.dripped_g_per_h for one in found)
    first = min(one.place for one in found)
    if dripped == 0:
        return max((one.leak for one in found), key=lambda leak: leak.best)
    # One equivalent drop stream: as many grams an hour as all gates together.
    return leak_given_leaking(weep, first, 100.0, 100.0, dripped)


def _gate_faults(decider: Decider, weep: Weep, alarms: list[Alarm]) -> list[Fault]:
    faults = []
    leaking = {alarm.carb for alarm in alarms}
    tally = decider.tally
    for gate in range(tally.gates):
        if tally.blank[gate] > 0.5 * max(tally.rows_seen, 1):
            text = f"gate {gate + 1} gave no counts most of the time: check its wiring"
            faults.append(Fault(decider.start_s, "gate_stuck", text))
        if gate + 1 in leaking or tally.total[gate] < 12:
            continue
        often = tally.rows_hit[gate] > 0.2 * max(tally.rows_seen, 1)
        kind = "gate_stuck" if often else "gate_noise"
        what = "counts without pause" if often else "counts that are not fuel"
        text = f"gate {gate + 1}: {tally.total[gate]} {what}: shade or clean it"
        faults.append(Fault(tally.times[gate][0], kind, text))
    return faults


def _other_faults(decider: Decider) -> list[Fault]:
    faults = [Fault(t, "bump", "knock: several gates at once") for t in _apart(decider)]
    tally = decider.tally
    if tally.no_air_s > 600:
        text = f"no air temperature for {tally.no_air_s / 60:.0f} min: last value used"
        faults.append(Fault(tally.temperature_lost_s, "temperature_missing", text))
    if np.isfinite(decider.empty_s):
        text = "the bottle ran dry: fill it and start again"
        faults.append(Fault(decider.empty_s, "bottle_empty", text))
    return faults


def _apart(decider: Decider) -> list[float]:
    """Times of knocks at least ten minutes apart."""
    times: list[float] = []
    for t_s in decider.tally.knocks_s:
        if not times or t_s - times[-1] > 600:
            times.append(t_s)
    return times[:50]


def _starved(decider: Decider, short: int) -> Alarm:
    bowls = "a bowl" if short == 1 else f"{short} bowls"
    text = f"the fill is {bowls} short: needle stuck shut, or an air lock"
    return Alarm(decider.finder.ended_s, "starved", None, None, text)


def _outcome(
    decider: Decider, belief: Posterior, found: list[_Found], doubts: list[str]
) -> tuple[Outcome, str]:
    if found:
        worst = max(found, key=lambda f: f.leak.best)
        where = f"carb {worst.carb}" if worst.carb else "a place no gate sees"
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        since = (worst.onset_s - decider.start_s) / 3600
        text = f"leak at {where}{more}, about {worst.leak.best:.2g} g/h since hour {since:.1f}"
        return Outcome.LEAKING, text
    if doubts:
        return Outcome.NOT_PROVEN, doubts[0]
    return Outcome.TIGHT, (
        f"no leak: the loss is what evaporation explains, and no more than "
        f"{24 * belief.leak.high:.2g} g a day could hide in it"
    )


def _doubts(
    decider: Decider, belief: Posterior, smallest: float, faults: list[Fault], short: int
) -> list[str]:
    """Reasons why tightness is not proven, weightiest first."""
    criterion = decider.settings.criterion_g_per_day
    kinds = {fault.kind for fault in faults}
    soak_s = max(decider.last_s - decider.soak_s, 1.0)
    doubts = []
    if short:
        doubts.append("a bowl did not fill: free its needle and soak again")
    if "bottle_empty" in kinds:
        doubts.append("the bottle ran dry: what happened after is unknown")
    if decider.follower.blind_s > _BLIND_SHARE * soak_s:
        doubts.append("the load cell was blind too long: check it and soak again")
    if _lost_too_little(decider):
        doubts.append("less was lost than any rack loses: check that the load cell moves")
    if "gate_stuck" in kinds:
        doubts.append("a drop gate did not work: clean or replace it and soak again")
    for gate, share in enumerate(belief.gates):
        if share > _UNSURE_GATE:
            doubts.append(f"gate {gate + 1} counted what may be drops: soak longer")
    if belief.above > _BELIEVED or belief.leak.high * 24 > criterion:
        doubts.append(
            f"a leak above {criterion:g} g/day cannot be ruled out: do a blank run or soak longer"
        )
    if smallest * 24 > criterion:
        doubts.append(
            f"the smallest leak this run could prove is {smallest * 24:.2g} g/day, more than the "
            f"{criterion:g} asked for: soak longer, or reduce noise and drift"
        )
    return doubts


def _lost_too_little(decider: Decider) -> bool:
    """Whether the loss is below the band by more than drift and temperature explain."""
    observed, expected = decider.curve.observed_g(), decider.curve.expected()
    weep = decider.weep
    if observed is None or weep is None or expected.best < 0.3:
        return False
    weight, mean, sd = weep.filter.leak_by_filter(0)
    surely = float(weight @ (mean < -3.0 * sd))
    return surely > 0.5 and observed < expected.low


def _suspects(
    decider: Decider, belief: Posterior, found: list[_Found], short: int
) -> tuple[Suspect, ...]:
    places = [_evidence(decider, one, found) for one in found]
    no_leak = 0.0
    if not found:
        no_leak = belief.no_leak
        shares: list[tuple[int | None, float]] = [(None, belief.unseen)]
        shares += [(gate + 1, share) for gate, share in enumerate(belief.gates)]
        places = [Evidence(c, w, 1.0, 1.0, False) for c, w in shares if w > 0]
    return rank(places, no_leak, bowls_short=short, carbs=decider.tally.gates)


def _evidence(decider: Decider, one: _Found, found: list[_Found]) -> Evidence:
    finder = decider.finder
    filled_s = finder.ended_s if finder.found else decider.start_s
    tally = decider.tally
    ratio = None
    if one.carb is not None and tally.shut_h > 0.05 and tally.open_h > 0.05:
        gate = one.carb - 1
        open_drops = tally.total[gate] - tally.while_shut[gate]
        open_h = max(tally.open_h - (one.onset_s - filled_s) / 3600, 0.1)
        if open_drops > 3:
            ratio = (tally.while_shut[gate] / tally.shut_h) / (open_drops / open_h)
    delay = max(one.onset_s - filled_s, 0.0) / 3600
    # With several leaks the mass sees their sum: each has the share that its drops have.
    said = sum(other.dripped_g_per_h for other in found)
    total = max(other.leak.best for other in found)
    rate = total * one.dripped_g_per_h / said if len(found) > 1 and said > 0 else one.leak.best
    lost = tally.shut_loss_g > 0.5 * rate * tally.shut_h and tally.shut_h > 0.15
    beyond = max(total - said, 0.0)
    weight = 1.0 / len(found)
    return Evidence(one.carb, weight, rate, delay, one.mass_led, beyond, ratio, bool(lost))
