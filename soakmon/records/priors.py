"""What the job record tells the decider: parts and notes become factors on the odds of causes.

The table is priors.toml of the package, or of the data folder, where it can be edited.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from soakmon.errors import InputError
from soakmon.records.jobs.fields import CarbFields
from soakmon.toml_text import read_text, table_of
from soakmon.watch.verdict import Cause

FILE = "priors.toml"
_BY_CARB = frozenset(Cause) - {Cause.NO_LEAK, Cause.BENCH_PLUMBING_LEAK}
_DENIED = r"\b(?:no|not|without|never|isn't|wasn't|didn't)\s+(?:\S+\s+){0,2}$"

Factor = Annotated[float, Field(gt=0, le=100)]


class _Rule(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    factor: dict[Cause, Factor] = Field(min_length=1)
    because: str = Field(min_length=1)

    @field_validator("factor")
    @classmethod
    def _at_a_carb(cls, factor: dict[Cause, float]) -> dict[Cause, float]:
        for cause in factor:
            if cause not in _BY_CARB:
                raise ValueError(f"{cause} is not a cause at a carburettor")
        return factor


class PartRule(_Rule):
    """A field of the record with a value."""

    field: str
    value: bool | Literal["none", "good", "repaired", "cracked", "reused", "renewed", "worn"]

    @field_validator("field")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in CarbFields.model_fields:
            raise ValueError(f"there is no field {name} in a carburettor's record")
        return name


class NoteRule(_Rule):
    """A sentence of a note with a word of each list."""

    about: tuple[str, ...] = Field(min_length=1)
    trouble: tuple[str, ...] = Field(min_length=1)

    def matches(self, text: str) -> bool:
        """Whether a sentence of the text speaks of it and does not deny it."""
        sentences = re.split(r"[.!?;\n]+(?:\s|$)", text.casefold())
        return any(_names(self.about, s) and _tells(self.trouble, s) for s in sentences)


class Limits(BaseModel):
    """Least and most of all factors together."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    least: float = Field(default=0.2, gt=0, le=1)
    most: float = Field(default=5.0, ge=1, le=100)


class Table(BaseModel):
    """The whole table of priors.toml."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    limits: Limits = Limits()
    part: tuple[PartRule, ...] = ()
    note: tuple[NoteRule, ...] = ()


@dataclass(frozen=True, slots=True)
class Shift:
    """What the record says of one carb: factors by cause, and the reasons in words."""

    factor: Mapping[Cause, float] = field(default_factory=dict)
    because: tuple[str, ...] = ()


def read_table(folder: Path | None = None) -> Table:
    """The table of the data folder, or of the package. Raises InputError with its place."""
    own = folder / FILE if folder is not None else None
    if own is not None and own.exists():
        return parse_table(read_text(own), str(own))
    return parse_table(files("soakmon.records").joinpath(FILE).read_text(encoding="utf-8"), FILE)


def parse_table(text: str, name: str) -> Table:
    """A table from TOML."""
    table = table_of(text, name)
    try:
        return Table.model_validate(table)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        text = first["msg"].removeprefix("Value error, ")
        raise InputError(f"{name}: {where}: {text}") from None


def shifts(
    carbs: Mapping[int, Mapping[str, Any]],
    notes: Iterable[tuple[int | None, str]],
    table: Table,
) -> dict[int, Shift]:
    """What the record says of each carb that it says something of.

    carbs: record of each carburettor by field; notes: (carb or None for the whole job, text). A
    rule counts once for a carb, however many notes repeat it.
    """
    written = list(notes)
    by_carb: dict[int, Shift] = {}
    for carb, values in carbs.items():
        texts = [text for place, text in written if place in {None, carb}]
        texts.append(str(values.get("notes") or ""))
        rules: list[_Rule] = [r for r in table.part if _has(values, r)]
        rules += [r for r in table.note if any(r.matches(text) for text in texts)]
        if rules:
            by_carb[carb] = _together(rules, table.limits)
    return by_carb


def _has(values: Mapping[str, Any], rule: PartRule) -> bool:
    value = values.get(rule.field)
    return type(value) is type(rule.value) and value == rule.value


def _together(rules: list[_Rule], limits: Limits) -> Shift:
    factor: dict[Cause, float] = {}
    for rule in rules:
        for cause, by in rule.factor.items():
            factor[cause] = factor.get(cause, 1.0) * by
    bounded = {cause: min(max(value, limits.least), limits.most) for cause, value in factor.items()}
    return Shift(bounded, tuple(rule.because for rule in rules))


def _names(words: Iterable[str], sentence: str) -> bool:
    return any(re.search(rf"\b{re.escape(word.casefold())}", sentence) for word in words)


def _tells(words: Iterable[str], sentence: str) -> bool:
    return any(
        not re.search(_DENIED, sentence[: place.start()])
        for word in words
        for place in re.finditer(rf"\b{re.escape(word.casefold())}", sentence)
    )
