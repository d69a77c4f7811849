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

from soakmon.texts import say
from soakmon.watch.figures import plain
from soakmon.weigh import forms
from soakmon.weigh.guides import Guide, Question, maybe, number
from soakmon.weigh.result import BenchTestResult
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
    note, text = say("reference.fuel_drips_into_cup"), say("reference.gate_its_carb")
    gate = int((yield from number(text, forms.between(1, carbs), 1.0, note=note)))
    rates = [(yield from _rate(gate, 1))]
    while True:
        cup = yield from maybe(say("reference.cup_before_next_setting"), forms.Grams)
        if cup is None:
            break
        rates.append((yield from _rate(gate, len(rates) + 1, cup)))
    note, text = say("reference.shut_needle_wait"), say("reference.minutes_waited")
    dark_min = yield from number(text, forms.between(0, 10_000), 0.0, note=note, source="minutes")
    counts = 0.0
    if dark_min:
        counts = yield from number(say("reference.counts_all_gates"), forms.Drops, 0.0)
    return {"gate": gate, "rates": rates, "dark_min": dark_min, "dark_counts": counts}


def _rate(
    gate: int, setting: int, cup_g: float | None = None
) -> Generator[Question, float | None, dict[str, Any]]:
    if cup_g is None:
        text = say("reference.setting_cup_before", setting=setting)
        cup_g = yield from number(text, forms.Grams)
    text = say("reference.bottle_before")
    bottle_g = yield from number(text, forms.Grams, source="mass_g")
    text = say("reference.minutes_to_first_count")
    first_min = yield from number(
        text, forms.between(0, 10_000), source="first_min", gate=gate,
        note=say("reference.let_it_drip"),
    )  # fmt: skip
    text = say("reference.drops_gate_counted")
    drops = yield from number(text, forms.Drops, source="drops", gate=gate)
    minutes = yield from number(say("reference.minutes_dripped"), forms.Minutes, source="minutes")
    note = say("reference.shut_needle")
    text, kind = say("reference.bottle_after"), forms.between(0, bottle_g)
    after = yield from number(text, kind, source="mass_g", note=note)
    text = say("reference.cup_after")
    cup_after = yield from number(text, forms.between(cup_g, forms.MOST_G))
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
        text = say("reference.dark_counts", per_h=plain(dark_per_h), minutes=f"{form.dark_min:g}")
        lines.append(text + (f": {say('reference.too_many_dark')}" if noisy else ""))
    passed = all(rate["agrees"] and rate["seen"] for rate in rates) and not noisy
    least = min(rates, key=lambda rate: float(rate["set_g_per_day"]))
    key = "reference.found" if least["seen"] and least["agrees"] else "reference.did_not_find"
    summary = say(key, rate=plain(least["set_g_per_day"]), day=day.isoformat())
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
    lines = [
        say(
            "reference.set_by_the_bottle", set=plain(rate["set_g_per_day"]),
            found=plain(rate["found_g_per_day"]), off=plain(2 * rate["u_g_per_day"]),
        )
    ]  # fmt: skip
    if rate["share"] is not None:
        lines.append(say("reference.share_of_it", share=f"{100 * rate['share']:.0f}"))
    if rate["g_per_drop"] is not None:
        lines.append(say("reference.mg_a_drop", mg=f"{1e3 * rate['g_per_drop']:.1f}"))
    lines.append(say("reference.first_count_after", minutes=plain(rate["first_min"])))
    text = "; ".join(lines)
    if not rate["seen"]:
        return f"{text}; {say('reference.gate_counted_nothing')}"
    return text if rate["agrees"] else f"{text}; {say('reference.they_do_not_agree')}"
