"""The guides through the bench tests: one question after the other, whoever asks them.

A guide is a generator: it yields questions, is sent numbers (None: nothing more) and returns the
filled-in form. Terminal and control API drive the same guides.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from soakmon.texts import say
from soakmon.weigh import forms
from soakmon.weigh.blank_run import SCALE_DRIFT_G
from soakmon.weigh.forms import MOST_G
from soakmon.weigh.isolation import STOPS_WITHIN_MIN

# What the bench can answer itself: net mass and count of the cell, mean air temperature since the
# test began, hours between the first and the last weighing.
# And of late: how long the beam was dark at the one drop of a gate, how many there were, when the
# first came; what the cell at rest said.
Source = Literal[
    "mass_g", "counts", "air_c", "hours", "dark_ms", "drops", "first_min", "minutes",
    "noise_g", "swing_g", "drift_g_per_h",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Question:
    """text: what is asked, with its unit; note: what to do first; kind: which numbers will do.

    default: taken for an empty answer; optional: an empty answer ends a list or leaves it out;
    last: what was answered the last time, where it may well be the same again;
    gate: of which gate a source speaks, from 1, None: of all.
    """

    text: str
    note: str = ""
    default: float | None = None
    optional: bool = False
    source: Source | None = None
    kind: Any = forms.Number
    last: float | None = None
    gate: int | None = None


Guide = Generator[Question, float | None, dict[str, Any]]


def number(
    text: str,
    kind: Any,
    default: float | None = None,
    *,
    source: Source | None = None,
    note: str = "",
    gate: int | None = None,
) -> Generator[Question, float | None, float]:
    """Ask for a number that must be given."""
    value = yield Question(text, note, default, source=source, kind=kind, gate=gate)
    if value is None:
        raise ValueError(say("guides.number_needed", text=text))
    return value


def maybe(
    text: str, kind: Any, *, source: Source | None = None, note: str = ""
) -> Generator[Question, float | None, float | None]:
    """Ask for a number that may be left out."""
    return (yield Question(text, note, optional=True, source=source, kind=kind))


def many(
    text: str, *, source: Source | None = None, note: str = "", kind: Any = forms.Grams
) -> Generator[Question, float | None, list[float]]:
    """Ask for a number, and again until the answer is empty."""
    values = [(yield from number(text, kind, source=source, note=note))]
    again = say("guides.again_empty_no_more", text=text)
    while (value := (yield from maybe(again, kind, source=source))) is not None:
        values.append(value)
    return values


def calibration() -> Guide:
    """Up by known masses, down by the same, creep, return."""
    capacity = yield from number(say("guides.capacity_cell_g"), forms.Capacity)
    text = say("guides.number_intervals_its_class")
    answers: dict[str, Any] = {
        "capacity_g": capacity,
        "intervals": int((yield from number(text, forms.Intervals, 3000))),
    }
    text = say("guides.standard_uncertainty_largest_mass_g")
    answers["mass_u_g"] = yield from number(text, forms.Grams, 0.0)
    text = say("guides.reading_nothing_on_cell")
    empty = yield from number(text, forms.Number, source="counts")
    steps = [{"mass_g": 0.0, "reading": empty, "up": True}]
    text, kind = say("guides.next_larger_mass_g_empty"), forms.between(0.0, capacity)
    while (mass := (yield from maybe(text, kind))) is not None:
        put_on = say("guides.put_g_on_reading", mass=f"{mass:g}")
        reading = yield from number(put_on, forms.Number, source="counts")
        steps.append({"mass_g": mass, "reading": reading, "up": True})
        kind = forms.between(mass, capacity)
    for step in reversed(steps[:-1]):
        text = say("guides.take_off_until_g_left", mass_g=f"{step['mass_g']:g}")
        reading = yield from number(text, forms.Number, source="counts")
        steps.append({"mass_g": step["mass_g"], "reading": reading, "up": False})
    answers["steps"] = steps
    answers["creep"] = creep = yield from _creep()
    if creep:
        text = say("guides.change_empty_reading_after_g")
        answers["returned_g"] = yield from maybe(text, forms.Number)
    answers["zeros"] = yield from _zeros()
    return answers


def _creep() -> Generator[Question, float | None, list[tuple[float, float]]]:
    """Readings under the largest mass."""
    creep: list[tuple[float, float]] = []
    note = say("guides.creep_leave_largest_mass_on")
    text, kind = say("guides.minutes_since_was_put_on"), forms.between(0.0, 10_000)
    while (minutes := (yield from maybe(text, kind, note="" if creep else note))) is not None:
        creep.append((minutes, (yield from number("reading", forms.Number, source="counts"))))
        kind = forms.between(minutes, 10_000)
    return creep


def _zeros() -> Generator[Question, float | None, list[dict[str, float | None]]]:
    """Empty readings, cold and warm."""
    zeros: list[dict[str, float | None]] = []
    note = say("guides.zero_read_empty_cell_several")
    text = say("guides.temperature_air_c_empty_no")
    while (
        air_c := (yield from maybe(text, forms.Celsius, source="air_c", note="" if zeros else note))
    ) is not None:
        reading = yield from number(say("guides.reading_nothing_on"), forms.Number, source="counts")
        kpa = yield from maybe(say("guides.pressure_air_kpa_empty_not"), forms.Pressure)
        zeros.append({"air_c": air_c, "reading": reading, "kpa": kpa})
    return zeros


def daily() -> Guide:
    """One known mass."""
    capacity = yield from number(say("guides.capacity_cell_g"), forms.Capacity)
    known = forms.between(0.0, capacity)
    empty = say("guides.take_everything_off_reading_g")
    return {
        "capacity_g": capacity,
        "mass_g": (yield from number(say("guides.known_mass_g"), known)),
        "mass_u_g": (yield from number(say("guides.its_standard_uncertainty_g"), forms.Grams, 0.0)),
        "empty_g": (yield from number(empty, forms.Number, source="mass_g")),
        "reading_g": (
            yield from number(say("guides.put_on_reading_g"), forms.Number, source="mass_g")
        ),
    }


def blank() -> Guide:
    """A blank run that is weighed at both ends."""
    note = say("guides.clamp_rack_off_leave_bottle")
    drift = say("guides.how_far_scale_strays_day")
    first, last = say("guides.mass_bottle_start_g"), say("guides.mass_bottle_end_g")
    return {
        "drift_g": (yield from number(drift, forms.Drift, SCALE_DRIFT_G, note=note)),
        "before_g": (yield from many(first, source="mass_g")),
        "after_g": (yield from many(last, source="mass_g")),
        "hours": (yield from number(say("guides.hours_between"), forms.Hours, source="hours")),
        "air_c": (
            yield from number(say("guides.mean_temperature_c"), forms.Celsius, source="air_c")
        ),
    }


def _fuel_c() -> Generator[Question, float | None, float]:
    text = say("guides.temperature_fuel_c")
    return (yield from number(text, forms.Celsius, 20.0, source="air_c"))


def drain(carbs: int) -> Guide:
    """Every bowl into a cup."""
    fuel_c = yield from _fuel_c()
    cups = []
    for carb in range(1, carbs + 1):
        empty = yield from number(
            say("guides.carb_empty_cup_g", carb=carb), forms.Grams, source="mass_g"
        )
        full = yield from number(
            say("guides.carb_full_cup_g", carb=carb),
            forms.between(empty, MOST_G),
            source="mass_g",
            note=say("guides.drain_bowl_into_cup_through", carb=carb),
        )
        cups.append((empty, full))
    return {"fuel_c": fuel_c, "cups_g": cups}


def shots(carbs: int) -> Guide:
    """Pump strokes of every carb into a cup."""
    strokes = int((yield from number(say("guides.strokes_one_series"), forms.Strokes, 20)))
    fuel_c = yield from _fuel_c()
    series = []
    for carb in range(1, carbs + 1):
        cups = []
        before: float | None
        text = say("guides.carb_cup_before_g", carb=carb)
        before = yield from number(text, forms.Grams, source="mass_g")
        while before is not None:
            after = yield from number(
                say("guides.cup_after_g"),
                forms.between(before, MOST_G),
                source="mass_g",
                note=say("guides.strokes_into_cup", strokes=strokes),
            )
            cups.append((before, after))
            text = say("guides.carb_once_more_cup_before", carb=carb)
            before = yield from maybe(text, forms.Grams, source="mass_g")
        series.append(cups)
    return {"strokes": strokes, "fuel_c": fuel_c, "series_g": series}


def floats(carbs: int) -> Guide:
    """Every float dry and after its soak."""
    weighings, kind = [], forms.Capacity  # a float weighs more than nothing
    for carb in range(1, carbs + 1):
        dry = yield from many(say("guides.carb_float_dry_g", carb=carb), source="mass_g", kind=kind)
        text = say("guides.carb_float_after_soak_wiped", carb=carb)
        soaked = yield from many(text, source="mass_g", kind=kind)
        weighings.append({"carb": carb, "dry_g": dry, "soaked_g": soaked})
    return {"floats": weighings}


def isolation(carbs: int) -> Guide:
    """Drops with the feed open, then with the feed shut."""
    note = say("guides.count_drops_every_carburettor_feed")
    text = say("guides.minutes_counted_feed_open")
    before_min = yield from number(text, forms.Minutes, 30.0, note=note)
    before = []
    for carb in range(1, carbs + 1):
        before.append((yield from number(say("guides.carb_drops", carb=carb), forms.Drops, 0.0)))
    note = say("guides.shut_feed_note_time_go")
    text = say("guides.minutes_counted_feed_shut_more", stops_within_min=f"{STOPS_WITHIN_MIN:g}")
    kind = Annotated[float, Field(gt=STOPS_WITHIN_MIN, le=10_000, allow_inf_nan=False)]
    after_min = yield from number(text, kind, 30.0, note=note)
    carb_answers = []
    for carb in range(1, carbs + 1):
        text = say("guides.carb_drops_since_feed_was", carb=carb)
        after = yield from number(text, forms.Drops, 0.0)
        last = None
        if after:
            text = say("guides.carb_minutes_from_shutting_last", carb=carb)
            last = yield from number(text, forms.between(0.0, after_min))
        carb_answers.append({"before": before[carb - 1], "after": after, "last_drop_min": last})
    return {"before_min": before_min, "after_min": after_min, "carbs": carb_answers}
