"""Answers to a guide's questions out of the running bench."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from soakmon.errors import InputError
from soakmon.texts import say
from soakmon.weigh.guided import Guided
from soakmon.weigh.guides import Source


def taken(source: Source, guided: Guided, weighed: Mapping[str, Any], air_c: float | None) -> float:
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
    value = weighed.get(source)
    if value is None:
        raise InputError(say("taking.cell_gives_no_reading_check"))
    if not weighed["steady"]:
        raise InputError(say("taking.reading_still_moves_wait_until"))
    return float(value)
