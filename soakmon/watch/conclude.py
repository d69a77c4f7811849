"""From evidence to the verdict: which of the three, why, and what is behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from soakmon.watch.causes import Evidence, rank
from soakmon.watch.closing import Posterior, posterior, smallest_provable
from soakmon.watch.evidence import evidence, shift
from soakmon.watch.faults import gate_faults, lost_nothing, other_faults
from soakmon.watch.figures import at_most, plain
from soakmon.watch.found import (
    Found,
    explained,
    found_at,
    standing,
    total_leak,
    with_closing_alarm,
)
from soakmon.watch.verdict import Alarm, Band, Fault, Outcome, Suspect, Verdict

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider

_BELIEVED = 0.005
_UNSURE_GATE = 0.2
# From here on the filter's innovations are so much wider than said that no story fits.
_NO_STORY = 2.5
_BLIND_SHARE = 0.1
_NOTHING_G_PER_H = 30.0


def conclude(decider: Decider) -> Verdict:
    """The verdict on what a decider has seen so far."""
    weep = decider.weep
    if weep is None or not decider.mass_running:
        return _too_early(decider)
    mass = weep.mass_log_ratio()
    belief = posterior(weep, decider.settings.criterion_g_per_day / 24.0)
    alarms, withdrawn = standing(decider, weep, mass)
    alarms = with_closing_alarm(decider, weep, mass, alarms)
    found = explained([found_at(decider, weep, mass, alarm) for alarm in alarms])
    smallest = smallest_provable(weep, decider.budget.closing)
    faults = [*decider.follower.faults, *gate_faults(decider, alarms), *withdrawn]
    faults += other_faults(decider)
    # A bottle that ran dry leaves bowls short without any needle being at fault.
    empty = np.isfinite(decider.empty_s)
    short = 0 if empty else decider.finder.bowls_short(decider.bowl_g)
    if short and decider.settings.bowls_measured:
        alarms.append(_starved(decider, short))
    doubts = _doubts(decider, belief, faults, short)
    outcome, reason = _outcome(decider, belief, found, doubts)
    return Verdict(
        outcome,
        reason,
        decider.last_s - decider.start_s,
        decider.curve.observed_g(),
        decider.curve.evaporated(),
        total_leak(weep, found, belief),
        smallest if smallest < _NOTHING_G_PER_H else None,
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
    places = [
        Evidence(c, 1.0 / len(carbs), 100.0, 0.1, False, shift=shift(decider, c)) for c in carbs
    ]
    rate = max((a.leak_g_per_h or 0.0 for a in decider.alarms), default=0.0)
    return Verdict(
        Outcome.LEAKING if leaking else Outcome.NOT_PROVEN,
        decider.alarms[0].text if leaking else _why_nothing(decider),
        duration,
        None,
        nothing,
        Band(rate, 0.5 * rate, 2.0 * rate),
        None,
        tuple(decider.tally.total),
        tuple(decider.alarms),
        rank(places, 0.0 if leaking else 1.0, bowls_short=0, carbs=decider.tally.gates),
        tuple(other_faults(decider)),
    )


def _why_nothing(decider: Decider) -> str:
    if not np.isfinite(decider.tally.last_mass_g):
        return "there was no mass reading: check the load cell and soak again"
    return "the run ended before the soak began: soak longer"


def _other_fill(decider: Decider) -> str:
    taken, expected = decider.finder.taken_g, decider.finder.expected_g
    told = f"the rack took {taken:.0f} g where bench.toml describes one of {expected:.0f} g: "
    if taken > expected:
        return told + "weigh what the bowls hold and correct it, or look for where fuel went"
    return told + "a needle is stuck shut, or the bowls are smaller: weigh what they hold"


def _starved(decider: Decider, short: int) -> Alarm:
    bowls = "a bowl" if short == 1 else f"{short} bowls"
    text = f"the fill is {bowls} short: needle stuck shut, or an air lock"
    return Alarm(decider.finder.ended_s, "starved", None, None, text)


def _outcome(
    decider: Decider, belief: Posterior, found: list[Found], doubts: list[str]
) -> tuple[Outcome, str]:
    if found:
        worst = max(found, key=lambda f: f.leak.best)
        where = f"carb {worst.carb}" if worst.carb else "a place no gate sees"
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        since = (worst.onset_s - decider.start_s) / 3600
        text = f"leak at {where}{more}, about {plain(worst.leak.best)} g/h since hour {since:.1f}"
        if worst.until_s is not None:
            text += f", until hour {(worst.until_s - decider.start_s) / 3600:.1f}"
        return Outcome.LEAKING, text
    if doubts:
        return Outcome.NOT_PROVEN, doubts[0]
    return Outcome.TIGHT, (
        f"no leak: the loss is what evaporation explains, and no more than "
        f"{at_most(24 * belief.leak.high)} g a day could hide in it"
    )


def _doubts(decider: Decider, belief: Posterior, faults: list[Fault], short: int) -> list[str]:
    """Reasons why tightness is not proven, weightiest first."""
    criterion = decider.settings.criterion_g_per_day
    kinds = {fault.kind for fault in faults}
    soak_s = max(decider.last_s - decider.soak_s, 1.0)
    doubts = []
    if short and decider.settings.bowls_measured:
        doubts.append("a bowl did not fill: free its needle and soak again")
    elif short or decider.finder.differs:
        doubts.append(_other_fill(decider))
    if "bottle_empty" in kinds:
        doubts.append("the bottle ran dry: what happened after is unknown")
    if decider.follower.blind_s > _BLIND_SHARE * soak_s:
        doubts.append("the load cell was blind too long: check it and soak again")
    if lost_nothing(decider) or _lost_too_little(decider):
        doubts.append("less was lost than any rack loses: check that the load cell moves")
    if decider.tally.no_air_s > 0.5 * soak_s:
        doubts.append("no temperature most of the time: what evaporation takes is unknown")
    if "gate_stuck" in kinds:
        doubts.append("a drop gate did not work: clean or replace it and soak again")
    if decider.weep is not None and decider.weep.fit.excess > _NO_STORY:
        doubts.append(
            "the mass wanders as nothing known makes it: see what touches bottle, hose and load "
            "cell, and soak again"
        )
    for gate, share in enumerate(belief.gates):
        if share > _UNSURE_GATE:
            doubts.append(f"gate {gate + 1} counted what may be drops: soak longer")
    if belief.above > _BELIEVED or belief.leak.high * 24 > criterion:
        doubts.append(
            f"a leak above {criterion:g} g/day cannot be ruled out: do a blank run or soak longer"
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
    decider: Decider, belief: Posterior, found: list[Found], short: int
) -> tuple[Suspect, ...]:
    places = [evidence(decider, one, found) for one in found]
    no_leak = 0.0
    if not found:
        no_leak = belief.no_leak
        shares: list[tuple[int | None, float]] = [(None, belief.unseen)]
        shares += [(gate + 1, share) for gate, share in enumerate(belief.gates)]
        places = [
            Evidence(c, w, 1.0, 1.0, False, shift=shift(decider, c)) for c, w in shares if w > 0
        ]
    return rank(places, no_leak, bowls_short=short, carbs=decider.tally.gates)
