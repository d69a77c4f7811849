"""Why a verdict is what it is: the sentence for it, and what keeps tightness from being proven."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakmon.physics.belief import judgement
from soakmon.watch.alive import alive
from soakmon.watch.closing import Posterior
from soakmon.watch.faults import lost_nothing
from soakmon.watch.figures import after_start, at_most, began, lasted, plain, rate
from soakmon.watch.found import Found
from soakmon.watch.verdict import Band, Fault, Outcome

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider

# A leak above the criterion is ruled out when no more than this speaks for it.
_BELIEVED = judgement(0.005, "chance")
# From this belief in a leak under a gate on, its counts are a doubt.
_UNSURE_GATE = judgement(0.2, "chance")
# From here on the filter's innovations are so much wider than said that no story fits.
_NO_STORY = judgement(2.5, "times")
# A cell that was blind for more of the soak than this proves nothing.
_BLIND_SHARE = judgement(0.1, "share")
# No drift makes a bottle so much heavier over a soak.
_HEAVIER_G = judgement(0.1, "g")
# A loss is too small, surely, where so much was expected and the leak so many sd below nothing,
# with such a belief (judgement). No temperature for this share of the soak is a doubt.
_EXPECTED_G = judgement(0.3, "g")
_BELOW_SD = judgement(3.0, "sd")
_SURELY = judgement(0.5, "chance")
_NO_AIR = judgement(0.5, "share")
# Where a leak cannot be ruled out, so long without a reading is what was in the way.
_LONG_GAP_S = judgement(1800.0, "s")


def outcome_of(
    decider: Decider, leak: Band, found: list[Found], doubts: list[str]
) -> tuple[Outcome, str]:
    """The verdict, and why in a sentence; leak: of all places together, g/h."""
    if found:
        return Outcome.LEAKING, _leaking(found, decider.start_s)
    if doubts:
        return Outcome.NOT_PROVEN, doubts[0]
    return Outcome.TIGHT, (
        f"no leak: the loss is what evaporation explains, and no more than "
        f"{at_most(24 * leak.high)} g a day could hide in it"
    )


def _leaking(found: list[Found], start_s: float) -> str:
    worst_first = sorted(found, key=lambda one: -one.leak.best)
    if len(found) == 1 and found[0].lost_g is not None:
        return f"{_place(found[0])} leaked {_told(found[0], start_s)}"
    told = (f"{_place(one)}, {_told(one, start_s)}" for one in worst_first)
    return "leak at " + "; at ".join(told)


def _place(one: Found) -> str:
    return f"carb {one.carb}" if one.carb else "a place no gate sees"


def _told(one: Found, start_s: float) -> str:
    since = f"begun {began(*(t_s - start_s for t_s in one.since_s))}"
    if one.until_s is not None and one.lost_g is not None:
        ended = after_start(one.until_s - start_s)
        return f"about {plain(one.lost_g)} g, {since}, ended about {ended}"
    return f"about {rate(one.over_soak.best)}, {since}"


def doubts_of(decider: Decider, belief: Posterior, faults: list[Fault], short: int) -> list[str]:
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
    doubts += _dead_or_heavier(decider)
    if decider.tally.no_air_s > _NO_AIR * soak_s:
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
        ruled = f"a leak above {criterion:g} g/day cannot be ruled out"
        gap_s = decider.follower.longest_gap_s
        if gap_s > _LONG_GAP_S:
            doubts.append(f"nothing was weighed for {lasted(gap_s)}, so {ruled}: soak again")
        else:
            doubts.append(f"{ruled}: {_what_helps(decider)}")
    return doubts


def _lost_too_little(decider: Decider) -> bool:
    """Whether the loss is below the band by more than drift and temperature explain."""
    observed, expected = decider.curve.observed_g(), decider.curve.expected()
    weep = decider.weep
    if observed is None or weep is None or expected.best < _EXPECTED_G:
        return False
    weight, mean, sd = weep.filter.leak_by_filter(0)
    surely = float(weight @ (mean < -_BELOW_SD * sd))
    return surely > _SURELY and observed < expected.low


def _dead_or_heavier(decider: Decider) -> list[str]:
    """Doubts about a cell that shows no loss: tightness needs proof that it would have."""
    observed = decider.curve.observed_g()
    if observed is not None and observed < -_HEAVIER_G:
        return [
            f"the bottle got {plain(-observed)} g heavier, which no rack does: check the cell's "
            "wiring, and that hose and bottle hang free"
        ]
    if lost_nothing(decider) or _lost_too_little(decider) or not alive(decider):
        return ["less was lost than any rack loses: check that the load cell moves"]
    return []


def _what_helps(decider: Decider) -> str:
    return "soak longer" if decider.settings.priors.blank_scale else "do a blank run or soak longer"


def _other_fill(decider: Decider) -> str:
    taken, expected = decider.finder.taken_g, decider.finder.expected_g
    told = f"the rack took {taken:.0f} g where bench.toml describes one of {expected:.0f} g: "
    if taken > expected:
        return told + "weigh what the bowls hold and correct it, or look for where fuel went"
    return told + "a needle is stuck shut, or the bowls are smaller: weigh what they hold"
