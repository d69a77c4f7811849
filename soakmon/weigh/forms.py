"""What a bench test takes in: the same values from prompts or from a JSON file."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Grams = Annotated[float, Field(ge=0, le=200_000, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]


class Form(BaseModel):
    """Unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class StepForm(Form):
    """One step of a calibration."""

    mass_g: Grams
    reading: Number
    up: bool = True


class CalibrationForm(Form):
    """Known masses up and down; readings in counts (or g of a cell that is already set)."""

    capacity_g: Annotated[float, Field(gt=0, le=200_000)]
    intervals: int = Field(default=3000, ge=500, le=10_000)
    mass_u_g: Grams = 0.0
    resolution_counts: Annotated[float, Field(ge=0, le=1e6)] = 1.0
    valid_days: int = Field(default=182, ge=1, le=3660)
    steps: list[StepForm] = Field(min_length=3, max_length=500)
    creep: list[tuple[Number, Number]] = Field(default=[], max_length=5000)
    returned_g: Number | None = None


class DailyForm(Form):
    """One known mass on the calibrated cell."""

    capacity_g: Annotated[float, Field(gt=0, le=200_000)]
    intervals: int = Field(default=3000, ge=500, le=10_000)
    mass_g: Grams
    mass_u_g: Grams = 0.0
    reading_g: Number


class BlankForm(Form):
    """Both ends of a blank run."""

    hours: Annotated[float, Field(gt=0, le=1000)]
    air_c: Annotated[float, Field(ge=-30, le=60)]
    before_g: list[Grams] = Field(min_length=1)
    after_g: list[Grams] = Field(min_length=1)
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01


class DrainForm(Form):
    """(empty, full) mass of the cup for every bowl."""

    fuel_c: Annotated[float, Field(ge=-30, le=60)] = 20.0
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    cups_g: list[tuple[Grams, Grams]] = Field(min_length=1, max_length=8)


class ShotsForm(Form):
    """Per carb, series of (cup before, cup after)."""

    strokes: int = Field(ge=1, le=1000)
    fuel_c: Annotated[float, Field(ge=-30, le=60)] = 20.0
    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    series_g: list[list[tuple[Grams, Grams]]] = Field(min_length=1, max_length=8)


class FloatForm(Form):
    """Weighings of one float."""

    carb: int = Field(ge=1, le=8)
    dry_g: list[Grams] = Field(min_length=1)
    soaked_g: list[Grams] = Field(min_length=1)


class FloatsForm(Form):
    """Weighings of the floats of a rack."""

    resolution_g: Annotated[float, Field(gt=0, le=10)] = 0.01
    floats: list[FloatForm] = Field(min_length=1, max_length=8)


Drops = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Minutes = Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)]


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
