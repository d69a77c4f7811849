"""What can be written down of a carburettor, checked and explained, and the standard checklist."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from soakmon.errors import InputError
from soakmon.records.jobs.text import clean_line, clean_text
from soakmon.texts import say

CHECKLIST = (
    say("fields.all_jets_passages_vents_blown"),
    say("fields.jets_fitted_as_written_down"),
    say("fields.mixture_screws_turned_gently_set"),
    say("fields.floats_shaken_no_fuel_inside"),
    say("fields.needles_seats_clean_float_heights"),
    say("fields.bowl_gaskets_lie_their_grooves"),
    say("fields.drain_plugs_their_o_rings"),
    say("fields.overflow_tubes_without_crack_lips"),
    say("fields.rail_joints_o_rings_fitted"),
    say("fields.throttles_synchronised_cables_choke_move"),
)

Millimetres = Annotated[float, Field(ge=-50, le=200)]
Turns = Annotated[float, Field(ge=0, le=20)]
Pump = Literal["none", "reused", "renewed", "worn"]


class CarbFields(BaseModel):
    """All that may be written down of a carburettor; names are the columns of the record."""

    model_config = ConfigDict(extra="forbid")

    jets: dict[str, str] = Field(default_factory=dict, description="as jet.main=105, jet.pilot=35")
    mixture_turns: Turns | None = Field(default=None, description="turns out from seated")
    mixture_turns_book: Turns | None = Field(default=None, description="what the book says")
    float_height_mm: Millimetres | None = Field(default=None, description="measured")
    float_height_low_mm: Millimetres | None = Field(default=None, description="lower limit")
    float_height_high_mm: Millimetres | None = Field(default=None, description="upper limit")
    float_shaken_dry: bool | None = Field(default=None, description="yes: no fuel inside")
    needle_seat_renewed: bool | None = Field(default=None, description="needle and seat, yes or no")
    bowl_gasket_renewed: bool | None = Field(default=None, description="yes or no")
    drain_oring_renewed: bool | None = Field(default=None, description="yes or no")
    overflow_lip: Literal["none", "good", "repaired", "cracked"] | None = Field(
        default=None, description="none, good, repaired or cracked"
    )
    accelerator_pump: Pump | None = Field(default=None, description="none, reused, renewed, worn")
    air_cutoff: Pump | None = Field(default=None, description="none, reused, renewed, worn")
    notes: str | None = Field(default=None, max_length=4000, description="free text")


def parse_pairs(pairs: Iterable[str], before: dict[str, Any]) -> dict[str, Any]:
    """KEY=VALUE words merged into what was written down before; an empty value takes one away.

    Raises InputError for keys and values that cannot be.
    """
    merged = {**before, "jets": dict(before.get("jets") or {})}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals:
            raise InputError(f"{pair}: write KEY=VALUE, as in bowl_gasket_renewed=yes")
        if key.startswith("jet.") and key != "jet.":
            merged["jets"][key[4:]] = value
            if not value:
                del merged["jets"][key[4:]]
        elif key in CarbFields.model_fields and key != "jets":
            merged[key] = value or None
        else:
            keys = [k for k in CarbFields.model_fields if k != "jets"]
            near = difflib.get_close_matches(key, keys, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}?" if near else f"there are jet.NAME, {', '.join(keys)}"
            raise InputError(f"{key}: a carburettor has no such field; {hint}")
    return checked(merged)


def checked(values: dict[str, Any]) -> dict[str, Any]:
    """Values of a carburettor, checked. Raises InputError naming the field."""
    try:
        fields = CarbFields.model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        text = first["msg"]
        if first["type"] == "float_parsing":
            text = say("fields.write_a_number")
        if first["type"] == "bool_parsing":
            text = say("fields.write_yes_or_no")
        lowered = f"{text[0].lower()}{text[1:]}"
        got = say("fields.got", where=where, said=lowered, got=repr(first["input"]))
        raise InputError(got) from None
    for name, size in fields.jets.items():
        clean_line(name, "jet", 40)
        clean_line(size, f"jet.{name}", 100)
    if fields.notes is not None:
        fields = fields.model_copy(update={"notes": clean_text(fields.notes, "notes")})
    low, high = fields.float_height_low_mm, fields.float_height_high_mm
    if low is not None and high is not None and low > high:
        raise InputError(say("fields.float_height_low_mm_more"))
    return fields.model_dump()


def height_within(values: CarbFields) -> bool | None:
    """Whether the float height lies within its limits; None when something is not written down."""
    height, low, high = (
        values.float_height_mm, values.float_height_low_mm, values.float_height_high_mm,
    )  # fmt: skip
    if height is None or low is None or high is None:
        return None
    return low <= height <= high
