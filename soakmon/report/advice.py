"""What to do next, by cause and place: what to look at first, as a mechanic would say it."""

from __future__ import annotations

from soakmon.watch.verdict import Cause, Outcome, Verdict

# Causes less likely than this are not worth taking a rack apart for first.
_LIKELY = 0.15
_MOST = 4

_LOOK_AT = {
    Cause.NEEDLE_STUCK_OPEN: "take out needle and seat: look for dirt between them and a ring worn "
    "into the tip; see that the float moves freely and holds no fuel",
    Cause.NEEDLE_WEEP: "needle and seat: clean them, look for a ring worn into the tip, renew both "
    "where there is one; measure the float height",
    Cause.OVERFLOW_TUBE_CRACK: "overflow tube: look for a crack along it and at its foot; fill the "
    "bowl by itself and see at which level it stops dripping",
    Cause.BOWL_JOINT_WEEP: "drain plug and its O-ring first, then the bowl gasket: is it in its "
    "groove, flat, and are the screws tight",
    Cause.RAIL_JOINT_WEEP: "fuel rail: the O-ring of the joint to the next carb, then the hose "
    "connector",
    Cause.NEEDLE_STUCK_SHUT: "needle stuck shut, or an air lock: drain each bowl into a cup and "
    "measure; free the needle of the one that holds less",
    Cause.BENCH_PLUMBING_LEAK: "the bench's own hose, valve and bottle: dry them, and look where "
    "they get wet; then soak again",
}


def next_steps(verdict: Verdict) -> tuple[str, ...]:
    """What to do, what is likeliest first."""
    if verdict.outcome is Outcome.TIGHT:
        return ("Nothing to mend: shut the tap, drain the rack into a can, and refit it.",)
    if verdict.outcome is Outcome.NOT_PROVEN:
        return (_sentence(verdict.reason), "Then soak again: this run proves neither way.")
    steps = [
        _sentence(f"carb {one.carb}: {_LOOK_AT[one.cause]}" if one.carb else _LOOK_AT[one.cause])
        for one in verdict.suspects
        if one.cause in _LOOK_AT and one.probability >= _LIKELY
    ]
    return (*steps[:_MOST], "Mend it, write down what was renewed, and soak again.")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
