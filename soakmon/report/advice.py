"""What to do next, by cause and place: what to look at first, as a mechanic would say it."""

from __future__ import annotations

from soakmon.texts import say
from soakmon.watch.verdict import Cause, Outcome, Verdict

# Causes less likely than this are not worth taking a rack apart for first.
_LIKELY = 0.15
_MOST = 4

_LOOK_AT = {
    Cause.NEEDLE_STUCK_OPEN: say("advice.take_out_needle_seat_look"),
    Cause.NEEDLE_WEEP: say("advice.needle_seat_clean_them_look"),
    Cause.OVERFLOW_TUBE_CRACK: say("advice.overflow_tube_look_crack_along"),
    Cause.BOWL_JOINT_WEEP: say("advice.drain_plug_its_o_ring"),
    Cause.RAIL_JOINT_WEEP: say("advice.fuel_rail_o_ring_joint"),
    Cause.NEEDLE_STUCK_SHUT: say("advice.needle_stuck_shut_air_lock"),
    Cause.BENCH_PLUMBING_LEAK: say("advice.bench_s_own_hose_valve"),
}


def next_steps(verdict: Verdict) -> tuple[str, ...]:
    """What to do, what is likeliest first."""
    if verdict.outcome is Outcome.TIGHT:
        return (say("advice.nothing_mend_shut_tap_drain"),)
    if verdict.outcome is Outcome.NOT_PROVEN:
        return (_sentence(verdict.reason), say("advice.then_soak_again_this_run"))
    steps = [
        _sentence(
            say("advice.carb", carb=suspect.carb, cause=_LOOK_AT[suspect.cause])
            if suspect.carb
            else _LOOK_AT[suspect.cause]
        )
        for suspect in verdict.suspects
        if suspect.cause in _LOOK_AT and suspect.probability >= _LIKELY
    ]
    return (*steps[:_MOST], say("advice.mend_write_down_what_was"))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
