"""What a bench test takes in: the same values from prompts or from a JSON file."""

from __future__ import annotations

import math
from typing import Annotated, Any, get_args

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from soakmon.texts import say
from soakmon.weigh.blank_run import SCALE_DRIFT_G
from soakmon.weigh.drain import TOLERANCE_MM
from soakmon.weigh.uncertainty import CELL_REPEATABILITY_G, REPEATABILITY_G

MOST_G = 200_000.0
Grams = Annotated[float, Field(ge=0, le=MOST_G, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Capacity = Annotated[float, Field(gt=0, le=MOST_G, allow_inf_nan=False)]
Intervals = Annotated[int, Field(ge=500, le=10_000)]
Celsius = Annotated[float, Field(ge=-30, le=60, allow_inf_nan=False)]
Pressure = Annotated[float, Field(ge=50, le=120, allow_inf_nan=False)]
Hours = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
Strokes = Annotated[int, Field(ge=1, le=1000)]
Drops = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Minutes = Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]

Drift = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Repeatability = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]


def between(least: float, most: float) -> Any:
    """A kind of number that depends on what was answered before."""
    return Annotated[float, Field(ge=least, le=most, allow_inf_nan=False)]


def check(kind: Any, value: float, what: str) -> None:
    """ValueError, one line, for a value that is not of a kind; it says what would do."""
    try:
        TypeAdapter(kind).validate_python(value)
    except ValidationError:
        not_so = say("forms.not", what=what, limits=limits(kind), value=f"{value:g}")
        raise ValueError(not_so) from None


def bounds(kind: Any) -> tuple[float, float, bool]:
    """Lowest and highest number of a kind, and whether the lowest itself will not do."""
    low, high, above = -math.inf, math.inf, False
    for bound in next(part.metadata for part in get_args(kind) if isinstance(part, FieldInfo)):
        low = float(getattr(bound, "ge", getattr(bound, "gt", low)))
        above = above or hasattr(bound, "gt")
        high = float(getattr(bound, "le", high))
    return low, high, above


def limits(kind: Any) -> str:
    """Which numbers of a kind will do, in words."""
    low, high, above = bounds(kind)
    if not math.isfinite(low):
        return say("forms.number")
    key = "forms.above" if above else "forms.range"
    numbers = say(key, low=f"{low:g}", high=f"{high:g}")
    return say("forms.whole", limits=numbers) if get_args(kind)[0] is int else numbers


class Form(BaseModel):
    """Unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class StepForm(Form):
    """One step of a calibration."""

    mass_g: Grams
    reading: Number
    up: bool = True


class ZeroForm(Form):
    """An empty reading at a temperature, and a pressure of the air where it is read."""

    air_c: Celsius
    reading: Number
    kpa: Pressure | None = None


class CalibrationForm(Form):
    """Known masses up and down; readings in counts (or g of a cell that is already set)."""

    capacity_g: Capacity
    intervals: Intervals = 3000
    mass_u_g: Grams = 0.0
    resolution_counts: Annotated[float, Field(ge=0, le=1e6)] = 1.0
    valid_days: int = Field(default=182, ge=1, le=3660)
    steps: list[StepForm] = Field(min_length=3, max_length=500)
    creep: list[tuple[Number, Number]] = Field(default=[], max_length=5000)
    returned_g: Number | None = None
    zeros: list[ZeroForm] = Field(default=[], max_length=500)
    v_min_g: Capacity | None = None
    repeatability_g: Repeatability = CELL_REPEATABILITY_G


class DailyForm(Form):
    """One known mass on the calibrated cell."""

    capacity_g: Capacity
    intervals: Intervals = 3000
    mass_g: Grams
    mass_u_g: Grams = 0.0
    empty_g: Number = 0.0
    reading_g: Number
    repeatability_g: Repeatability = CELL_REPEATABILITY_G


class BlankForm(Form):
    """Both ends of a blank run."""

    hours: Hours
    air_c: Celsius
    before_g: list[Grams] = Field(min_length=1)
    after_g: list[Grams] = Field(min_length=1)
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    repeatability_g: Repeatability = REPEATABILITY_G
    drift_g: Drift = SCALE_DRIFT_G


class DrainForm(Form):
    """(empty, full) mass of the cup for every bowl."""

    fuel_c: Celsius = 20.0
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    repeatability_g: Repeatability = REPEATABILITY_G
    tolerance_mm: Annotated[float, Field(gt=0, le=20, allow_inf_nan=False)] = TOLERANCE_MM
    cups_g: list[tuple[Grams, Grams]] = Field(min_length=1, max_length=8)


class ShotsForm(Form):
    """Per carb, series of (cup before, cup after)."""

    strokes: Strokes
    fuel_c: Celsius = 20.0
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    repeatability_g: Repeatability = REPEATABILITY_G
    series_g: list[list[tuple[Grams, Grams]]] = Field(min_length=1, max_length=8)


class FloatForm(Form):
    """Weighings of one float."""

    carb: int = Field(ge=1, le=8)
    dry_g: list[Grams] = Field(min_length=1)
    soaked_g: list[Grams] = Field(min_length=1)


class FloatsForm(Form):
    """Weighings of the floats of a rack."""

    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    repeatability_g: Repeatability = REPEATABILITY_G
    floats: list[FloatForm] = Field(min_length=1, max_length=8)


class IsolatedForm(Form):
    """Drops of one carb before and after the feed was shut."""

    before: Drops
    after: Drops
    last_drop_min: Annotated[float, Field(ge=0, le=10_000)] | None = None


class IsolationForm(Form):
    """Drops of every carb with the feed open and shut."""

    before_min: Minutes
    after_min: Minutes
    carbs: list[IsolatedForm] = Field(min_length=1, max_length=8)
