"""A verdict as it was written down, read back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from soakmon.errors import named
from soakmon.watch.curve import Curve
from soakmon.watch.decision import Decision
from soakmon.watch.verdict import Alarm, Band, Cause, Fault, Leak, Outcome, Suspect, Verdict


def verdict_from(data: Mapping[str, Any]) -> Verdict:
    """What `Verdict.as_dict` gave, with its rounding. Masses in g, rates in g/h, times in s."""
    return Verdict(
        Outcome(data["verdict"]),
        data["reason"],
        data["duration_s"],
        data["observed_loss_g"],
        _band(data["expected_evaporation_g"]),
        _band(data["leak_g_per_h"]),
        data["smallest_provable_leak_g_per_h"],
        tuple(data["drops"]),
        tuple(Alarm(**alarm) for alarm in data["alarms"]),
        tuple(
            Suspect(Cause(one["cause"]), one["carb"], one["probability"])
            for one in data["suspects"]
        ),
        tuple(Fault(**fault) for fault in data["faults"]),
        # Verdicts of earlier versions do not tell their leaks one by one, nor what was caught.
        tuple(_leak(leak) for leak in data.get("leaks", ())),
        tuple(data.get("caught_g", ())),
    )


def _leak(data: Mapping[str, Any]) -> Leak:
    low, high = (data["since_s"][key] for key in ("low", "high"))
    band = _band(data["leak_g_per_h"])
    return Leak(data["carb"], band, (low, high), data["until_s"], data["lost_g"])


def _band(data: Mapping[str, float | None]) -> Band:
    best, low, high = (data[key] for key in ("best", "low", "high"))
    return Band(*(math.nan if value is None else value for value in (best, low, high)))


def unjudged(t_s: float, gates: int, error: Exception) -> Decision:
    """The decision on readings at which the program fails: a soak ends with a verdict all the same.

    t_s: when it ended.
    """
    reason = (
        f"the program failed at judging the readings ({named(error)}); "
        "they are kept with the report"
    )
    nothing, none = Band(0.0, 0.0, 0.0), np.zeros(0)
    verdict = Verdict(
        Outcome.NOT_PROVEN, reason, t_s, None, nothing, nothing, None, (0,) * gates, (), (), ()
    )
    return Decision(verdict, (), Curve(none, none, none, none, none))


def as_written(decision: Decision) -> Decision:
    """The same with the verdict's numbers as the JSON has them, so that a report says the same."""
    return replace(decision, verdict=verdict_from(decision.verdict.as_dict()))


def same_result(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two verdicts agree, but for when an alarm was raised.

    The bench judges second by second; judged afterwards, in minutes, alarms come up to one later.
    """

    def bare(data: Mapping[str, Any]) -> dict[str, Any]:
        alarms = [{k: v for k, v in alarm.items() if k != "t_s"} for alarm in data["alarms"]]
        return {**data, "alarms": alarms}

    return bare(one) == bare(other)
