"""Answers to a guide's questions out of the running bench."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from soakmon.errors import InputError
from soakmon.texts import say
from soakmon.weigh.by_hand import LEAST_MIN
from soakmon.weigh.guided import Guided
from soakmon.weigh.guides import Source

_OF_STILL = {"noise_g", "swing_g", "drift_g_per_h"}
# Rows come once a second.
_SHORT_MIN = 0.1


def measured_answer(
    source: Source,
    guided: Guided,
    weighed: Mapping[str, Any],
    air_c: float | None,
    wall_s: Callable[[], float] = time.time,
) -> float:
    """The value of a source. weighed: as the service weighs; air_c: mean since the test began.

    Raises InputError when it cannot be had now.
    """
    if source == "hours":
        if guided.hours is None or guided.hours <= 0:
            raise InputError(say("taking.hours_are_known_when_both"))
        return round(guided.hours, 4)
    if source == "air_c":
        if air_c is None:
            raise InputError(say("taking.there_no_temperature_check_thermometer"))
        return air_c
    if source in {"dark_ms", "drops", "first_min"}:
        return _dropped(source, guided, weighed.get("drops") or [])
    if source == "minutes":
        return round((wall_s() - _asked_s(guided)) / 60, 2)
    if source in _OF_STILL:
        return _still(source, guided, weighed.get("still"))
    value = weighed.get(source)
    if value is None:
        raise InputError(say("taking.cell_gives_no_reading_check"))
    if not weighed["steady"]:
        raise InputError(say("taking.reading_still_moves_wait_until"))
    return float(value)


def _asked_s(guided: Guided) -> float:
    if guided.since_s is None:
        raise InputError(say("taking.answer_question_before_first"))
    return guided.since_s


def _dropped(source: Source, guided: Guided, drops: Sequence[Mapping[str, float]]) -> float:
    """What the gates counted since the question's own time; the wrong gate is named."""
    since_s = _asked_s(guided)
    gate = guided.question.gate if guided.question is not None else None
    mine = [drop for drop in drops if gate is None or drop["gate"] == gate]
    if source == "drops":
        return float(len(mine))
    others = sorted({int(drop["gate"]) for drop in drops if drop not in mine})
    if not mine:
        if others:
            named = ", ".join(str(other) for other in others)
            raise InputError(say("taking.other_gate_counted", others=named, gate=gate))
        raise InputError(say("taking.gate_has_counted_nothing", gate=gate))
    if source == "first_min":
        return round((min(drop["wall_s"] for drop in mine) - since_s) / 60, 3)
    if others:
        raise InputError(say("taking.gate_counted_as_well", gate=others[0]))
    if len(mine) > 1:
        raise InputError(say("taking.it_counted_times", times=len(mine)))
    return float(mine[0]["dark_ms"])


def _still(source: Source, guided: Guided, readings: Mapping[str, Any] | None) -> float:
    wanted_min = guided.answers[0][0] or LEAST_MIN if guided.answers else LEAST_MIN
    if readings is None:
        raise InputError(say("taking.no_readings_yet"))
    if readings["minutes"] < wanted_min - _SHORT_MIN:
        past, wanted = f"{readings['minutes']:.1f}", f"{wanted_min:g}"
        raise InputError(say("taking.minutes_are_over_wait", past=past, wanted=wanted))
    return round(float(readings[source]), 5)
