"""Answers to a guide's questions out of the running bench."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from soakmon.errors import InputError
from soakmon.weigh.guided import Guided
from soakmon.weigh.guides import Source


def taken(source: Source, guided: Guided, weighed: Mapping[str, Any], air_c: float | None) -> float:
    """The value of a source. weighed: as the service weighs; air_c: mean since the test began.

    Raises InputError when it cannot be had now.
    """
    if source == "hours":
        if guided.hours is None or guided.hours <= 0:
            raise InputError("the hours are known when both ends have been weighed")
        return round(guided.hours, 4)
    if source == "air_c":
        if air_c is None:
            raise InputError("there is no temperature: check the thermometer, or type it")
        return air_c
    value = weighed.get(source)
    if value is None:
        raise InputError("the cell gives no reading: check it, or type the value")
    if not weighed["steady"]:
        raise InputError("the reading still moves: wait until it is steady")
    return float(value)
