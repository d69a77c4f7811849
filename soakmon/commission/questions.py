"""The plain questions about a bench, the same at terminal and page, and what answers write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.texts import say

UNKNOWN, YES, NO = "unknown", "yes", "no"


@dataclass(frozen=True, slots=True)
class BenchQuestion:
    """What is asked; key: where the answer stands in bench.toml; answers: what may be said, or
    limits: between which numbers.
    """

    key: str
    text: str
    answers: tuple[str, ...] = ()
    limits: tuple[float, float] = (0.0, 0.0)


# What narrows what a tight rack is expected to lose; `bench init` asks these alone.
OF_FUEL = (
    BenchQuestion(
        "hose.kind", say("questions.hose"), ("ordinary", "low_permeation", "clear", UNKNOWN)
    ),
    BenchQuestion("fuel.ethanol", say("questions.ethanol"), ("e0", "e5", "e10", UNKNOWN)),
    BenchQuestion("fuel.age", say("questions.age"), ("fresh", UNKNOWN)),
    BenchQuestion("rack.vents", say("questions.vents"), ("measured", UNKNOWN)),
)
OF_PARTS = (
    BenchQuestion("rack.carbs", say("questions.carbs"), limits=(1, 8)),
    BenchQuestion("bottle.capacity_ml", say("questions.capacity"), limits=(50, 10_000)),
    BenchQuestion("bottle.fill_ml", say("questions.fill"), limits=(10, 10_000)),
    BenchQuestion("cell.capacity_g", say("questions.cell"), limits=(100, 50_000)),
    BenchQuestion("gates.pins", say("questions.gates"), (YES, NO)),
    BenchQuestion("valve.driver", say("questions.valve"), (YES, NO)),
    BenchQuestion("panel.fitted", say("questions.panel"), (YES, NO)),
    BenchQuestion("vapour.fitted", say("questions.vapour"), (YES, NO)),
)
ALL = (*OF_PARTS, *OF_FUEL)
# Of the hardware page's wiring, where bench.toml has none.
USUAL_PINS = (17, 27, 22, 23)
KEYS = frozenset(question.key for question in ALL)


def answers_of(bench: Bench) -> dict[str, str]:
    """What bench.toml says of each, as an answer."""
    answers = {
        "rack.carbs": f"{bench.rack.carbs}",
        "bottle.capacity_ml": f"{bench.bottle.capacity_ml:g}",
        "bottle.fill_ml": f"{bench.bottle.fill_ml:g}",
        "cell.capacity_g": f"{bench.cell.capacity_g:g}",
        "hose.kind": bench.hose.kind,
        "fuel.ethanol": bench.fuel.ethanol,
        "fuel.age": bench.fuel.age,
        "rack.vents": bench.rack.vents,
    }
    fitted = {
        "gates.pins": bool(bench.gates.pins),
        "valve.driver": bench.valve.driver != "none",
        "panel.fitted": bench.panel.fitted,
        "vapour.fitted": bench.vapour.fitted,
    }
    return answers | {key: YES if there else NO for key, there in fitted.items()}


def written(answers: Mapping[str, str], pins: Sequence[int]) -> dict[str, Any]:
    """What answers to all of the questions write, by section.key. pins: of the gates, in order.

    Raises InputError at the question whose answer will not do.
    """
    values = {question.key: _taken(question, answers.get(question.key, "")) for question in ALL}
    carbs = int(values["rack.carbs"])
    values["rack.carbs"] = carbs
    values["gates.pins"] = list(pins[:carbs]) if values["gates.pins"] else []
    values["valve.driver"] = "pin" if values["valve.driver"] else "none"
    if values["gates.pins"] and len(values["gates.pins"]) < carbs:
        raise InputError(say("questions.too_few_pins", pins=len(pins), carbs=carbs))
    if values["bottle.fill_ml"] > values["bottle.capacity_ml"]:
        raise InputError(say("questions.would_overflow"))
    return values


def _taken(question: BenchQuestion, answer: str) -> Any:
    if question.answers == (YES, NO) and answer in question.answers:
        return answer == YES
    if answer in question.answers:
        return answer
    low, high = question.limits
    try:
        number = float(answer.strip().replace(",", "."))
    except ValueError:
        number = float("nan")
    whole = question.key != "rack.carbs" or number.is_integer()
    if not question.answers and low <= number <= high and whole:
        return number
    may = ", ".join(question.answers) or f"{low:g} to {high:g}"
    raise InputError(say("questions.will_not_do", text=question.text, answer=answer, may=may))
