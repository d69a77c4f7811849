"""Inputs for what can be written down of a carburettor, made from the record's own description."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from soakmon.records.jobs.fields import CarbFields


@dataclass(frozen=True, slots=True)
class Input:
    """An input: kind is number, choice, yesno, text or jets; options are those of a choice."""

    name: str
    kind: str
    low: float | None = None
    high: float | None = None
    options: tuple[str, ...] = ()


def carb_inputs() -> list[Input]:
    """One input for each field of the record, in its order."""
    fields: dict[str, Any] = CarbFields.model_json_schema()["properties"]
    return [_input(name, field) for name, field in fields.items()]


def _input(name: str, field: dict[str, Any]) -> Input:
    kinds = field.get("anyOf", [field])
    first = next(kind for kind in kinds if kind.get("type") != "null")
    if first["type"] == "object":
        return Input(name, "jets")
    if first["type"] == "boolean":
        return Input(name, "yesno")
    if "enum" in first:
        return Input(name, "choice", options=tuple(first["enum"]))
    if first["type"] == "number":
        return Input(name, "number", first.get("minimum"), first.get("maximum"))
    return Input(name, "text")
