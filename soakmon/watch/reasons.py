"""Why a verdict is what it is: the sentence for it, and what keeps tightness from being proven."""

from __future__ import annotations

from soakmon.physics.belief import judgement
from soakmon.texts import say
from soakmon.watch.alive import alive
from soakmon.watch.closing import Posterior
from soakmon.watch.faults import lost_nothing
from soakmon.watch.figures import (
    after_start,
    at_most,
    began,
    lasted,
    percent_at_least,
    plain,
    rate,
)
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.record import RunRecord
from soakmon.watch.verdict import Band, Fault, Outcome

# A leak above the criterion is ruled out when no more than this speaks for it.
_BELIEVED = judgement(0.005, "chance")
# From this belief in a leak under a gate on, its counts are a doubt.
_UNSURE_GATE = judgement(0.2, "chance")
# From here on the filter's innovations are so much wider than said that no story fits.
_NO_STORY = judgement(2.5, "times")
# A cell that was blind for more of the soak than this proves nothing.
_BLIND_SHARE = judgement(0.1, "share")
_MOSTLY = judgement(0.5, "share")
# No drift makes a bottle so much heavier over a soak.
_HEAVIER_G = judgement(0.1, "g")
# A loss is too small, surely, where so much was expected and the leak so many sd below nothing,
# with such a belief (judgement). No temperature for this share of the soak is a doubt.
_EXPECTED_G = judgement(0.3, "g")
_BELOW_SD = judgement(3.0, "sd")
_SURELY = judgement(0.5, "chance")
_NO_AIR = judgement(0.5, "share")
# A bracket of the beginning that is wider than this share of the soak dates nothing.
_WIDE_SHARE = judgement(0.6, "share")
# Where a leak cannot be ruled out, so long without a reading is what was in the way.
_LONG_GAP_S = judgement(1800.0, "s")


def outcome_of(
    record: RunRecord, leak: Band, leaks: list[LocatedLeak], doubts: list[str]
) -> tuple[Outcome, str]:
    """The verdict, and why in a sentence; leak: of all places together, g/h."""
    if leaks:
        return Outcome.LEAKING, _leaking(leaks, record)
    if doubts:
        return Outcome.NOT_PROVEN, doubts[0]
    return Outcome.TIGHT, (
        say("reasons.no_leak_loss_what_evaporation", leak=at_most(24 * leak.high))
    )


def _leaking(leaks: list[LocatedLeak], record: RunRecord) -> str:
    worst_first = sorted(leaks, key=lambda leak: -leak.leak.best)
    if len(leaks) == 1 and leaks[0].lost_g is not None:
        return say("reasons.leaked", found=_place(leaks[0]), start_s=_story(leaks[0], record))
    first, *others = (f"{_place(leak)}, {_story(leak, record)}" for leak in worst_first)
    also = (say("reasons.also_at", place=place) for place in others)
    return say("reasons.leak", places="; ".join((first, *also)))


def _place(leak: LocatedLeak) -> str:
    return say("reasons.carb", carb=leak.carb) if leak.carb else say("reasons.place_no_gate_sees")


def _story(leak: LocatedLeak, record: RunRecord) -> str:
    start_s, (low_s, high_s) = record.start_s, leak.since_s
    since = say("reasons.begun", since_s=began(low_s - start_s, high_s - start_s))
    if high_s - low_s > _WIDE_SHARE * (record.last_s - record.soak_s):
        since = say("reasons.when_began_not_known")
    if leak.until_s is not None and leak.lost_g is not None:
        ended = after_start(leak.until_s - start_s)
        return say(
            "reasons.about_g_ended_about", lost_g=plain(leak.lost_g), since=since, ended=ended
        )
    return say("reasons.about", over_soak=rate(leak.over_soak.best), since=since)


def doubts_of(record: RunRecord, belief: Posterior, faults: list[Fault], short: int) -> list[str]:
    """Reasons why tightness is not proven, weightiest first."""
    kinds = {fault.kind for fault in faults}
    soak_s = max(record.last_s - record.soak_s, 1.0)
    doubts = []
    if short and record.settings.bowls_measured:
        doubts.append(say("reasons.bowl_did_not_fill_free"))
    elif short or record.finder.fill.differs:
        doubts.append(_other_fill(record))
    late = record.finder.fill.late.fills
    if late and not record.settings.bowls_measured:
        # Nobody knows that a bowl was missing: the description may as well be too large.
        took, ended = plain(late[-1].took_g), after_start(late[-1].until_s - record.start_s)
        doubts.append(say("reasons.bowl_filled_late_or_leaked", took=took, ended=ended))
    if "bottle_empty" in kinds:
        doubts.append(say("reasons.bottle_ran_dry_what_happened"))
    if record.follower.blind_s > _BLIND_SHARE * soak_s:
        stood = record.follower.stood_s > _MOSTLY * record.follower.blind_s
        doubts.append(
            say("reasons.load_cell_stood_still" if stood else "reasons.load_cell_was_blind_too")
        )
    doubts += _dead_or_heavier(record)
    if record.tally.no_air_s > _NO_AIR * soak_s:
        doubts.append(say("reasons.no_temperature_most_time_what"))
    if "gate_stuck" in kinds:
        gates = sorted({one.carb for one in faults if one.kind == "gate_stuck" and one.carb})
        doubts.append(say("reasons.gate_did_not_work", gate=" and ".join(map(str, gates))))
    if record.weep is not None and record.weep.fit.excess > _NO_STORY:
        doubts.append(say("reasons.mass_wanders_as_nothing_known"))
    for gate, share in enumerate(belief.gates):
        if share > _UNSURE_GATE:
            doubts.append(say("reasons.gate_counted_what_may_drops", gate=gate + 1))
    if belief.above > _BELIEVED or belief.leak.high * 24 > record.settings.criterion_g_per_day:
        doubts.append(_not_ruled_out(record, belief))
    return doubts


def _not_ruled_out(record: RunRecord, belief: Posterior) -> str:
    criterion = record.settings.criterion_g_per_day
    if belief.leak.high * 24 > criterion:
        ruled = say("reasons.leak_above_g_day_cannot", criterion=f"{criterion:g}")
    else:
        # The bound that is printed lies below: say what it takes.
        sure, needed = (percent_at_least(1 - chance) for chance in (belief.above, _BELIEVED))
        ruled = say(
            "reasons.leak_above_g_day_only", criterion=f"{criterion:g}", sure=sure, needed=needed
        )
    gap_s = record.follower.longest_gap_s
    if gap_s > _LONG_GAP_S:
        return say("reasons.nothing_was_weighed_so_soak", gap_s=lasted(gap_s), ruled=ruled)
    return f"{ruled}: {_what_helps(record)}"


def _lost_too_little(record: RunRecord) -> bool:
    """Whether the loss is below the band by more than drift and temperature explain."""
    observed, expected = record.curve.observed_g(), record.curve.expected()
    weep = record.weep
    if observed is None or weep is None or expected.best < _EXPECTED_G:
        return False
    weight, mean, sd = weep.filter.leak_by_filter(0)
    surely = float(weight @ (mean < -_BELOW_SD * sd))
    return surely > _SURELY and observed < expected.low


def _dead_or_heavier(record: RunRecord) -> list[str]:
    """Doubts about a cell that shows no loss: tightness needs proof that it would have."""
    observed = record.curve.observed_g()
    if observed is not None and observed < -_HEAVIER_G:
        return [say("reasons.bottle_got_g_heavier_which", observed=plain(-observed))]
    if lost_nothing(record) or _lost_too_little(record) or not alive(record):
        return [say("reasons.less_was_lost_than_any")]
    return []


def _what_helps(record: RunRecord) -> str:
    return (
        say("reasons.soak_longer")
        if record.settings.priors.blank_scale
        else say("reasons.do_blank_run_soak_longer")
    )


def _other_fill(record: RunRecord) -> str:
    taken, expected = record.finder.fill.taken_g, record.finder.content.described_g
    if not record.settings.bowls_measured:
        return say(
            "reasons.rack_took_g_bowls_unknown", taken=f"{taken:.0f}", expected=f"{expected:.0f}"
        )
    text = say("reasons.rack_took_g_where_bench", taken=f"{taken:.0f}", expected=f"{expected:.0f}")
    if taken > expected:
        return text + say("reasons.weigh_what_bowls_hold_correct")
    return text + say("reasons.needle_stuck_shut_bowls_are")
