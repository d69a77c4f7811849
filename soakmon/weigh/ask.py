"""Guides through a bench test: asks for one number after the other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TextIO

from soakmon.errors import InputError

_AGAIN = 3


@dataclass(slots=True)
class Ask:
    """Asks on `say`, reads lines from `source`. Three answers that are no number end it."""

    source: TextIO
    say: Callable[[str], None]

    def number(self, text: str, default: float | None = None) -> float:
        """A number; an empty answer takes the default where there is one."""
        value = self.maybe(text if default is None else f"{text} [{default:g}]", default)
        while value is None:
            value = self.maybe(f"a number is needed: {text}", default)
        return value

    def maybe(self, text: str, default: float | None = None) -> float | None:
        """A number, or the default for an empty answer. Raises InputError at the input's end."""
        for _ in range(_AGAIN):
            self.say(f"{text}: ")
            line = self.source.readline()
            if not line:
                raise InputError("the input ended before the last number: nothing was kept")
            answer = line.strip().replace(",", ".")
            if not answer:
                return default
            try:
                value = float(answer)
            except ValueError:
                value = math.nan
            if math.isfinite(value):
                return value
            self.say(f"{answer!r} is not a number\n")
        raise InputError(f"{text}: three answers were no number: nothing was kept")

    def many(self, text: str) -> list[float]:
        """Numbers until an empty answer, at least one."""
        found = [self.number(text)]
        while (value := self.maybe(f"{text}, again (empty: no more)")) is not None:
            found.append(value)
        return found


def calibration(ask: Ask) -> dict[str, Any]:
    """Guide through a calibration: up, down by the same masses, creep, return."""
    answers: dict[str, Any] = {
        "capacity_g": ask.number("capacity of the cell in g"),
        "intervals": int(ask.number("number of intervals of its class", 3000)),
        "mass_u_g": ask.number("standard uncertainty of the largest mass in g", 0.0),
    }
    steps = [{"mass_g": 0.0, "reading": ask.number("reading with nothing on the cell"), "up": True}]
    while (mass := ask.maybe("next larger mass in g (empty: now down)")) is not None:
        reading = ask.number(f"put {mass:g} g on; reading")
        steps.append({"mass_g": mass, "reading": reading, "up": True})
    for step in reversed(steps[:-1]):
        reading = ask.number(f"take off until {step['mass_g']:g} g is left; reading")
        steps.append({"mass_g": step["mass_g"], "reading": reading, "up": False})
    answers["steps"] = steps
    creep = []
    ask.say("creep: leave the largest mass on for 30 min and read every few minutes\n")
    while (minutes := ask.maybe("minutes since it was put on (empty: no more)")) is not None:
        creep.append((minutes, ask.number("reading")))
    answers["creep"] = creep
    if creep:
        answers["returned_g"] = ask.maybe("change of the empty reading after it in g (empty: none)")
    return answers


def daily(ask: Ask) -> dict[str, Any]:
    """Guide through the daily check."""
    return {
        "capacity_g": ask.number("capacity of the cell in g"),
        "mass_g": ask.number("known mass in g"),
        "mass_u_g": ask.number("its standard uncertainty in g", 0.0),
        "reading_g": ask.number("put it on; reading in g"),
    }


def blank(ask: Ask) -> dict[str, Any]:
    """Guide through a blank run that is weighed at both ends."""
    ask.say("clamp the rack off and leave bottle and hose, full, for at least 6 hours\n")
    return {
        "before_g": ask.many("mass of the bottle at the start in g"),
        "after_g": ask.many("mass of the bottle at the end in g"),
        "hours": ask.number("hours between"),
        "air_c": ask.number("mean temperature in °C"),
    }


def drain(ask: Ask, carbs: int) -> dict[str, Any]:
    """Guide through draining every bowl."""
    fuel_c = ask.number("temperature of the fuel in °C", 20.0)
    cups = [
        (ask.number(f"carb {carb}: empty cup in g"), ask.number(f"carb {carb}: full cup in g"))
        for carb in range(1, carbs + 1)
    ]
    return {"fuel_c": fuel_c, "cups_g": cups}


def shots(ask: Ask, carbs: int) -> dict[str, Any]:
    """Guide through the pump shots of every carb."""
    strokes = int(ask.number("strokes in one series", 20))
    fuel_c = ask.number("temperature of the fuel in °C", 20.0)
    series = []
    for carb in range(1, carbs + 1):
        cups = [(ask.number(f"carb {carb}: cup before in g"), ask.number("cup after in g"))]
        while (
            before := ask.maybe(f"carb {carb}: once more, cup before (empty: next)")
        ) is not None:
            cups.append((before, ask.number("cup after in g")))
        series.append(cups)
    return {"strokes": strokes, "fuel_c": fuel_c, "series_g": series}


def floats(ask: Ask, carbs: int) -> dict[str, Any]:
    """Guide through weighing every float dry and after its soak."""
    return {
        "floats": [
            {
                "carb": carb,
                "dry_g": ask.many(f"carb {carb}: float dry, in g"),
                "soaked_g": ask.many(f"carb {carb}: float after the soak, wiped, in g"),
            }
            for carb in range(1, carbs + 1)
        ]
    }
