"""What was wrong where a part had been renewed, and where not: learnt from the shop's own soaks.

The factors of priors.toml are what was believed before; each counts as if it had been seen on so
many expected cases, and what the shop has seen moves it. Each soak keeps the chances of the causes
without the factors that it was told, so that no factor feeds on itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from soakmon.records.priors import PartRule, Shift, Table
from soakmon.texts import say
from soakmon.watch.verdict import Cause, Outcome, Verdict

KEY = "causes"
# A factor of the table counts as if so many cases of its cause had been expected (judgement).
_BELIEVED_CASES = 3.0
# More carburettors of one bench count as these: its habits are not the shop's.
_MOST_OF_BENCH = 40.0
# What a factor may become: the record ranks, the bench decides.
_LEAST, _MOST = 0.2, 5.0


class CarbCauses(BaseModel):
    """A carburettor in a soak: what its record said of parts, and the chance of each cause."""

    carb: int
    parts: dict[str, bool | str]
    chances: dict[Cause, Annotated[float, Field(ge=0, le=1)]]


_LIST: TypeAdapter[list[CarbCauses]] = TypeAdapter(list[CarbCauses])


@dataclass(frozen=True, slots=True)
class PartSeen:
    """A part in a state: in how many carburettors, and by cause how many cases there were, how many
    were expected, and the factor that comes of it.
    """

    field: str
    value: bool | str
    carbs: float
    cases: Mapping[Cause, tuple[float, float, float]]


def causes_form(
    verdict: Verdict, carbs: Mapping[int, Mapping[str, Any]], shifts: Mapping[int, Shift]
) -> list[dict[str, Any]]:
    """As a soak keeps it; empty where it decided nothing. carbs: record of each by field."""
    if verdict.outcome is Outcome.NOT_PROVEN:
        return []
    plain = {
        (suspect.cause, suspect.carb): suspect.probability
        / _factor(shifts, suspect.carb, suspect.cause)
        for suspect in verdict.suspects
    }
    total = sum(plain.values()) or 1.0
    forms = [
        CarbCauses(
            carb=place,
            parts={k: v for k, v in values.items() if isinstance(v, bool | str) and k != "notes"},
            chances={
                cause: round(min(chance / total, 1.0), 5)
                for (cause, carb), chance in plain.items()
                if carb == place
            },
        )
        for place, values in carbs.items()
    ]
    return [form.model_dump(mode="json") for form in forms]


def _factor(shifts: Mapping[int, Shift], carb: int | None, cause: Cause) -> float:
    here = shifts.get(carb) if carb is not None else None
    return here.factor.get(cause, 1.0) if here is not None else 1.0


def read_causes(data: Mapping[str, Any]) -> list[CarbCauses]:
    """What the data of a result hold of it; nothing where they cannot be read."""
    try:
        return _LIST.validate_python(data.get(KEY) or [])
    except ValidationError:
        return []


def parts_seen(soaks: Iterable[tuple[str, list[CarbCauses]]], table: Table) -> list[PartSeen]:
    """What a shop has seen of every rule of the table. soaks: whose, and its carburettors."""
    by_bench: dict[str, list[CarbCauses]] = {}
    for whose, carbs in soaks:
        by_bench.setdefault(whose, []).extend(carbs)
    weighed = [
        (carb, min(1.0, _MOST_OF_BENCH / len(carbs)))
        for carbs in by_bench.values()
        for carb in carbs
    ]
    return [_seen(rule, weighed) for rule in table.part]


def _seen(rule: PartRule, weighed: list[tuple[CarbCauses, float]]) -> PartSeen:
    known = [(carb, by) for carb, by in weighed if rule.field in carb.parts]
    mine = [(carb, by) for carb, by in known if carb.parts[rule.field] == rule.value]
    every, here = (sum(by for _, by in group) for group in (known, mine))
    cases = {}
    for cause, believed in rule.factor.items():
        all_cases, seen = (
            sum(by * carb.chances.get(cause, 0.0) for carb, by in group) for group in (known, mine)
        )
        expected = all_cases / every * here if every else 0.0
        factor = (seen + _BELIEVED_CASES * believed) / (expected + _BELIEVED_CASES)
        cases[cause] = (seen, expected, min(max(factor, _LEAST), _MOST))
    return PartSeen(rule.field, rule.value, here, cases)


def learnt_table(table: Table, seen: Iterable[PartSeen]) -> Table:
    """The table with the factors that come of what the shop has seen."""
    by_part = {(part.field, part.value): part for part in seen if part.carbs > 0}
    return table.model_copy(update={"part": tuple(_moved(rule, by_part) for rule in table.part)})


def _moved(rule: PartRule, seen: Mapping[tuple[str, bool | str], PartSeen]) -> PartRule:
    seen_part = seen.get((rule.field, rule.value))
    if seen_part is None:
        return rule
    factor = {cause: round(seen_part.cases[cause][2], 3) for cause in rule.factor}
    because = say("part_causes.seen", because=rule.because, carbs=f"{seen_part.carbs:.0f}")
    return rule.model_copy(update={"factor": factor, "because": because})
