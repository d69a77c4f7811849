"""A known leak into a gate of the real bench: what it finds of it.

A drip set or a metering needle lets fuel into the beam of a gate and on into a cup that is weighed
on a scale of its own. What went into the cup is what was set; what the bench says of it comes from
its bottle, its gate and its clock.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from datetime import date
from typing import Annotated, Any

from pydantic import Field

from soakmon.watch.figures import plain
from soakmon.weigh import forms
from soakmon.weigh.guides import Guide, Question, maybe, number
from soakmon.weigh.judge import BenchTestResult
from soakmon.weigh.uncertainty import REPEATABILITY_G

KIND = "drip"
_DAY_MIN = 1440.0
# Found and set agree within twice their uncertainty, or within so much of what was set: drops that
# dry on their way and splash are on no side's account.
_WITHIN = 0.15
_MOST_DARK_PER_H = 1.0


class RateForm(forms.Form):
    """One setting: cup and bottle before and after, minutes, drops and the first one's delay."""

    cup_g: tuple[forms.Grams, forms.Grams]
    bottle_g: tuple[forms.Grams, forms.Grams]
    minutes: forms.Minutes
    drops: forms.Drops
    first_min: Annotated[float, Field(ge=0, le=10_000)]


class DripForm(forms.Form):
    """A known leak at one gate, at several settings; then nothing, for the dark counts."""

    gate: int = Field(ge=1, le=8)
    repeatability_g: forms.Repeatability = REPEATABILITY_G
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    rates: list[RateForm] = Field(min_length=1, max_length=20)
    dark_min: Annotated[float, Field(ge=0, le=10_000)] = 0.0
    dark_counts: forms.Drops = 0.0


def drip(carbs: int) -> Guide:
    """Setting after setting, from the cup's mass to the cup's mass."""
    note = (
        "fuel from the bottle drips through the gate's beam into a cup; the carb is not in the way"
    )
    gate = int((yield from number("gate (its carb)", forms.between(1, carbs), 1.0, note=note)))
    rates = [(yield from _rate(gate, 1))]
    while True:
        text = "cup before in g, at the next setting (empty: no more)"
        cup = yield from maybe(text, forms.Grams)
        if cup is None:
            break
        rates.append((yield from _rate(gate, len(rates) + 1, cup)))
    note = "shut the needle and wait: a quarter of an hour or more"
    text = "minutes waited with nothing dripping (0: not waited)"
    dark_min = yield from number(text, forms.between(0, 10_000), 0.0, note=note, source="minutes")
    counts = 0.0
    if dark_min:
        counts = yield from number("counts at all gates in that time", forms.Drops, 0.0)
    return {"gate": gate, "rates": rates, "dark_min": dark_min, "dark_counts": counts}


def _rate(
    gate: int, setting: int, cup_g: float | None = None
) -> Generator[Question, float | None, dict[str, Any]]:
    if cup_g is None:
        cup_g = yield from number(f"setting {setting}: cup before in g", forms.Grams)
    text = "bottle before in g, read as the needle is opened"
    bottle_g = yield from number(text, forms.Grams, source="mass_g")
    text = "minutes from opening to the first count"
    first_min = yield from number(
        text, forms.between(0, 10_000), source="first_min", gate=gate,
        note="let it drip: fifty drops or more, or hours for a slow one",
    )  # fmt: skip
    drops = yield from number("drops that the gate counted", forms.Drops, source="drops", gate=gate)
    minutes = yield from number("minutes that it dripped", forms.Minutes, source="minutes")
    note = "shut the needle"
    text, kind = "bottle after in g", forms.between(0, bottle_g)
    after = yield from number(text, kind, source="mass_g", note=note)
    cup_after = yield from number("cup after in g", forms.between(cup_g, forms.MOST_G))
    return {
        "cup_g": (cup_g, cup_after),
        "bottle_g": (bottle_g, after),
        "minutes": minutes,
        "drops": drops,
        "first_min": first_min,
    }


def judge_drip(form: DripForm, day: date) -> BenchTestResult:
    """Rates found over rates set, with their uncertainty; delay; dark counts."""
    rates = [_judged(rate, form) for rate in form.rates]
    lines = [_line(rate) for rate in rates]
    dark_per_h = 60 * form.dark_counts / form.dark_min if form.dark_min else None
    noisy = dark_per_h is not None and dark_per_h > _MOST_DARK_PER_H
    if dark_per_h is not None:
        lines.append(
            f"dark counts: {plain(dark_per_h)} an hour over {form.dark_min:g} min"
            + (": TOO MANY: clean and shade the gates" if noisy else "")
        )
    passed = all(rate["agrees"] and rate["seen"] for rate in rates) and not noisy
    least = min(rates, key=lambda rate: float(rate["set_g_per_day"]))
    word = "found" if least["seen"] and least["agrees"] else "DID NOT FIND"
    summary = f"this bench {word} {plain(least['set_g_per_day'])} g/day on {day.isoformat()}"
    data = {
        "day": day.isoformat(),
        "gate": form.gate,
        "passed": passed,
        "smallest_g_per_day": least["set_g_per_day"],
        "dark_per_h": dark_per_h,
        "readings": rates,
        "form": form.model_dump(mode="json"),
    }
    return BenchTestResult(KIND, passed, summary, tuple(lines), data)


def _judged(rate: RateForm, form: DripForm) -> dict[str, Any]:
    days = rate.minutes / _DAY_MIN
    went_g = rate.cup_g[1] - rate.cup_g[0]
    lost_g = rate.bottle_g[0] - rate.bottle_g[1]
    # Both ends of each: the scale's resolution (uniform) and the cell's repeatability.
    cup_u_g = form.resolution_g / math.sqrt(6)
    cell_u_g = form.repeatability_g * math.sqrt(2)
    off_g, u_g = lost_g - went_g, math.hypot(cup_u_g, cell_u_g)
    agrees = abs(off_g) <= max(2 * u_g, _WITHIN * went_g)
    return {
        "set_g_per_day": went_g / days,
        "found_g_per_day": lost_g / days,
        "u_g_per_day": u_g / days,
        "share": lost_g / went_g if went_g else None,
        "agrees": agrees,
        "seen": rate.drops > 0 and went_g > 0,
        "g_per_drop": went_g / rate.drops if rate.drops else None,
        "first_min": rate.first_min,
        "minutes": rate.minutes,
    }


def _line(rate: dict[str, Any]) -> str:
    text = (
        f"set {plain(rate['set_g_per_day'])} g/day: by the bottle {plain(rate['found_g_per_day'])} "
        f"± {plain(2 * rate['u_g_per_day'])} g/day"
    )
    if rate["share"] is not None:
        text += f" ({rate['share']:.2f} of it)"
    if rate["g_per_drop"] is not None:
        text += f", {1e3 * rate['g_per_drop']:.1f} mg a drop"
    text += f", first count after {plain(rate['first_min'])} min"
    if not rate["seen"]:
        return text + ": THE GATE COUNTED NOTHING: set its beam where the drops fall"
    off = ": THEY DO NOT AGREE: look for splashes, check the cell"
    return text + ("" if rate["agrees"] else off)
