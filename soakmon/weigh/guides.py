"""The guides through the bench tests: one question after the other, whoever asks them.

A guide is a generator: it yields questions, is sent numbers (None: nothing more) and returns the
filled-in form. Terminal and control API drive the same guides.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from soakmon.weigh import forms
from soakmon.weigh.blank_run import SCALE_DRIFT_G
from soakmon.weigh.forms import MOST_G
from soakmon.weigh.isolation import STOPS_WITHIN_MIN

# What the bench can answer itself: net mass and count of the cell, mean air temperature since the
# test began, hours between the first and the last weighing.
Source = Literal["mass_g", "counts", "air_c", "hours"]


@dataclass(frozen=True, slots=True)
class Question:
    """text: what is asked, with its unit; note: what to do first; kind: which numbers will do.

    default: taken for an empty answer; optional: an empty answer ends a list or leaves it out;
    last: what was answered the last time, where it may well be the same again.
    """

    text: str
    note: str = ""
    default: float | None = None
    optional: bool = False
    source: Source | None = None
    kind: Any = forms.Number
    last: float | None = None


Guide = Generator[Question, float | None, dict[str, Any]]


def _number(
    text: str,
    kind: Any,
    default: float | None = None,
    *,
    source: Source | None = None,
    note: str = "",
) -> Generator[Question, float | None, float]:
    value = yield Question(text, note, default, source=source, kind=kind)
    if value is None:
        raise ValueError(f"{text}: a number is needed")
    return value


def _maybe(
    text: str, kind: Any, *, source: Source | None = None, note: str = ""
) -> Generator[Question, float | None, float | None]:
    return (yield Question(text, note, optional=True, source=source, kind=kind))


def _many(
    text: str, *, source: Source | None = None, note: str = "", kind: Any = forms.Grams
) -> Generator[Question, float | None, list[float]]:
    found = [(yield from _number(text, kind, source=source, note=note))]
    again = f"{text}, again (empty: no more)"
    while (value := (yield from _maybe(again, kind, source=source))) is not None:
        found.append(value)
    return found


def calibration() -> Guide:
    """Up by known masses, down by the same, creep, return."""
    capacity = yield from _number("capacity of the cell in g", forms.Capacity)
    text = "number of intervals of its class"
    answers: dict[str, Any] = {
        "capacity_g": capacity,
        "intervals": int((yield from _number(text, forms.Intervals, 3000))),
    }
    text = "standard uncertainty of the largest mass in g"
    answers["mass_u_g"] = yield from _number(text, forms.Grams, 0.0)
    text = "reading with nothing on the cell"
    empty = yield from _number(text, forms.Number, source="counts")
    steps = [{"mass_g": 0.0, "reading": empty, "up": True}]
    text, kind = "next larger mass in g (empty: now down)", forms.between(0.0, capacity)
    while (mass := (yield from _maybe(text, kind))) is not None:
        put_on = f"put {mass:g} g on; reading"
        reading = yield from _number(put_on, forms.Number, source="counts")
        steps.append({"mass_g": mass, "reading": reading, "up": True})
        kind = forms.between(mass, capacity)
    for step in reversed(steps[:-1]):
        text = f"take off until {step['mass_g']:g} g is left; reading"
        reading = yield from _number(text, forms.Number, source="counts")
        steps.append({"mass_g": step["mass_g"], "reading": reading, "up": False})
    answers["steps"] = steps
    answers["creep"] = creep = yield from _creep()
    if creep:
        text = "change of the empty reading after it in g (empty: none)"
        answers["returned_g"] = yield from _maybe(text, forms.Number)
    answers["zeros"] = yield from _zeros()
    return answers


def _creep() -> Generator[Question, float | None, list[tuple[float, float]]]:
    """Readings under the largest mass."""
    creep: list[tuple[float, float]] = []
    note = (
        "creep: leave the largest mass on for half an hour; read as often as you can in the first "
        "minute, about 20 and about 30 minutes later"
    )
    text, kind = "minutes since it was put on (empty: no more)", forms.between(0.0, 10_000)
    while (minutes := (yield from _maybe(text, kind, note="" if creep else note))) is not None:
        creep.append((minutes, (yield from _number("reading", forms.Number, source="counts"))))
        kind = forms.between(minutes, 10_000)
    return creep


def _zeros() -> Generator[Question, float | None, list[dict[str, float | None]]]:
    """Empty readings, cold and warm."""
    zeros: list[dict[str, float | None]] = []
    note = "zero: read the empty cell at several temperatures, 5 °C apart or more"
    text = "temperature of the air in °C (empty: no more)"
    while (
        air_c := (
            yield from _maybe(text, forms.Celsius, source="air_c", note="" if zeros else note)
        )
    ) is not None:
        reading = yield from _number("reading with nothing on", forms.Number, source="counts")
        kpa = yield from _maybe("pressure of the air in kPa (empty: not read)", forms.Pressure)
        zeros.append({"air_c": air_c, "reading": reading, "kpa": kpa})
    return zeros


def daily() -> Guide:
    """One known mass."""
    capacity = yield from _number("capacity of the cell in g", forms.Capacity)
    known = forms.between(0.0, capacity)
    empty = "take everything off; reading in g"
    return {
        "capacity_g": capacity,
        "mass_g": (yield from _number("known mass in g", known)),
        "mass_u_g": (yield from _number("its standard uncertainty in g", forms.Grams, 0.0)),
        "empty_g": (yield from _number(empty, forms.Number, source="mass_g")),
        "reading_g": (yield from _number("put it on; reading in g", forms.Number, source="mass_g")),
    }


def blank() -> Guide:
    """A blank run that is weighed at both ends."""
    note = (
        "clamp the rack off and leave bottle and hose, full, for a day or for whole days: then the "
        "shop is as warm at the end as it was at the start"
    )
    drift = "how far the scale strays in a day in g (0: it is tared before every weighing)"
    first, last = "mass of the bottle at the start in g", "mass of the bottle at the end in g"
    return {
        "drift_g": (yield from _number(drift, forms.Drift, SCALE_DRIFT_G, note=note)),
        "before_g": (yield from _many(first, source="mass_g")),
        "after_g": (yield from _many(last, source="mass_g")),
        "hours": (yield from _number("hours between", forms.Hours, source="hours")),
        "air_c": (yield from _number("mean temperature in °C", forms.Celsius, source="air_c")),
    }


def _fuel_c() -> Generator[Question, float | None, float]:
    text = "temperature of the fuel in °C"
    return (yield from _number(text, forms.Celsius, 20.0, source="air_c"))


def drain(carbs: int) -> Guide:
    """Every bowl into a cup."""
    fuel_c = yield from _fuel_c()
    cups = []
    for carb in range(1, carbs + 1):
        empty = yield from _number(f"carb {carb}: empty cup in g", forms.Grams, source="mass_g")
        full = yield from _number(
            f"carb {carb}: full cup in g",
            forms.between(empty, MOST_G),
            source="mass_g",
            note=f"drain bowl {carb} into the cup through its plug",
        )
        cups.append((empty, full))
    return {"fuel_c": fuel_c, "cups_g": cups}


def shots(carbs: int) -> Guide:
    """Pump strokes of every carb into a cup."""
    strokes = int((yield from _number("strokes in one series", forms.Strokes, 20)))
    fuel_c = yield from _fuel_c()
    series = []
    for carb in range(1, carbs + 1):
        cups = []
        before: float | None
        text = f"carb {carb}: cup before in g"
        before = yield from _number(text, forms.Grams, source="mass_g")
        while before is not None:
            after = yield from _number(
                "cup after in g",
                forms.between(before, MOST_G),
                source="mass_g",
                note=f"{strokes} strokes into the cup",
            )
            cups.append((before, after))
            text = f"carb {carb}: once more, cup before (empty: next)"
            before = yield from _maybe(text, forms.Grams, source="mass_g")
        series.append(cups)
    return {"strokes": strokes, "fuel_c": fuel_c, "series_g": series}


def floats(carbs: int) -> Guide:
    """Every float dry and after its soak."""
    found, kind = [], forms.Capacity  # a float weighs more than nothing
    for carb in range(1, carbs + 1):
        dry = yield from _many(f"carb {carb}: float dry, in g", source="mass_g", kind=kind)
        text = f"carb {carb}: float after the soak, wiped, in g"
        soaked = yield from _many(text, source="mass_g", kind=kind)
        found.append({"carb": carb, "dry_g": dry, "soaked_g": soaked})
    return {"floats": found}


def isolation(carbs: int) -> Guide:
    """Drops with the feed open, then with the feed shut."""
    note = "count drops at every carburettor with the feed open"
    text = "minutes counted with the feed open"
    before_min = yield from _number(text, forms.Minutes, 30.0, note=note)
    before = []
    for carb in range(1, carbs + 1):
        before.append((yield from _number(f"carb {carb}: drops", forms.Drops, 0.0)))
    note = "shut the feed, note the time, and go on counting"
    text = f"minutes counted with the feed shut, more than {STOPS_WITHIN_MIN:g}"
    kind = Annotated[float, Field(gt=STOPS_WITHIN_MIN, le=10_000, allow_inf_nan=False)]
    after_min = yield from _number(text, kind, 30.0, note=note)
    carb_answers = []
    for carb in range(1, carbs + 1):
        text = f"carb {carb}: drops since the feed was shut"
        after = yield from _number(text, forms.Drops, 0.0)
        last = None
        if after:
            text = f"carb {carb}: minutes from shutting to the last drop"
            last = yield from _number(text, forms.between(0.0, after_min))
        carb_answers.append({"before": before[carb - 1], "after": after, "last_drop_min": last})
    return {"before_min": before_min, "after_min": after_min, "carbs": carb_answers}
