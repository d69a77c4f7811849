"""A bench test under way: its question now, and every answer with its time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from pydantic import JsonValue, ValidationError

from soakmon.texts import say
from soakmon.watch.settings import Settings
from soakmon.weigh import by_hand, forms, guides, judge_cell, judge_rack, reference
from soakmon.weigh.result import BenchTestResult

Answer = tuple[float | None, float]
Last = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True)
class BenchTest:
    """A bench test: its form, the guide that fills it in for a number of carbs, and its judge."""

    about: str
    form: type[forms.Form]
    guide: Callable[[int], guides.Guide]
    judge: Callable[[Any, Settings, date], BenchTestResult]


TESTS = {
    "calibration": BenchTest(
        say("guided.load_cell_known_masses_up"), forms.CalibrationForm,
        lambda carbs: guides.calibration(), judge_cell.calibration,
    ),
    "daily": BenchTest(
        say("guided.calibrated_cell_one_known_mass"), forms.DailyForm,
        lambda carbs: guides.daily(), lambda form, settings, _: judge_cell.daily(form, settings),
    ),
    "blank": BenchTest(
        say("guided.what_bottle_hose_lose_alone"), forms.BlankForm,
        lambda carbs: guides.blank(), lambda form, settings, _: judge_cell.blank(form, settings),
    ),
    "drain": BenchTest(
        say("guided.fuel_each_bowl_levels_against"), forms.DrainForm,
        guides.drain, lambda form, settings, _: judge_rack.drain(form, settings),
    ),
    "shots": BenchTest(
        say("guided.accelerator_pumps_ml_per_stroke"), forms.ShotsForm,
        guides.shots, lambda form, settings, _: judge_rack.shots(form, settings),
    ),
    "float": BenchTest(
        say("guided.floats_take_up_fuel"), forms.FloatsForm,
        guides.floats, lambda form, *_: judge_rack.floats(form),
    ),
    "isolation": BenchTest(
        say("guided.which_drops_go_on_feed"), forms.IsolationForm,
        guides.isolation, lambda form, settings, _: judge_rack.isolation(form, settings),
    ),
    "straw": BenchTest(
        say("guided.each_gate_with_straw"),
        by_hand.StrawForm, by_hand.straw, lambda form, *_: by_hand.judge_straw(form),
    ),
    "still": BenchTest(
        say("guided.cell_at_rest"), by_hand.StillForm,
        lambda carbs: by_hand.still(), lambda form, *_: by_hand.judge_still(form),
    ),
    "drip": BenchTest(
        say("guided.known_leak_into_gate"), reference.DripForm,
        reference.drip, lambda form, _, day: reference.judge_drip(form, day),
    ),
}  # fmt: skip


class Guided:
    """Drives a guide. `question` is None when the form is filled in.

    last: what was answered the last time, by question and in order; taken up where the bench cannot
    read the value itself.
    """

    def __init__(
        self, test: str, carbs: int, answers: Sequence[Answer] = (), last: Last | None = None
    ) -> None:
        self.test, self.carbs, self.last = test, carbs, last or {}
        self.answers: list[Answer] = []
        self.typed: dict[str, list[float]] = {}
        self.weighed_s: list[float] = []
        self.form: dict[str, JsonValue] | None = None
        self._guide = TESTS[test].guide(carbs)
        self.question: guides.Question | None = self._as_last(next(self._guide))
        for value, at_s in answers:
            self.answer(value, at_s)

    def answer(self, value: float | None, at_s: float) -> None:
        """Answer the question (None: empty) at a wall time in s.

        Raises ValueError for nothing, or for a number that cannot be.
        """
        question = self.question
        if question is None:
            raise ValueError(say("guided.there_nothing_left_ask"))
        taken = question.default if value is None else value
        if taken is None and not question.optional:
            raise ValueError(say("guided.number_needed", question=question.text))
        if taken is not None:
            forms.check(question.kind, taken, question.text)
            if question.source is None:
                self.typed.setdefault(question.text, []).append(taken)
        if question.source == "mass_g" and taken is not None:
            self.weighed_s.append(at_s)
        self.answers.append((value if question.default is None else taken, at_s))
        try:
            self.question = self._as_last(self._guide.send(taken))
        except StopIteration as done:
            self.question, self.form = None, done.value

    def _as_last(self, question: guides.Question) -> guides.Question:
        """The question with what was answered the last time, if that would do again."""
        before = self.last.get(question.text, ())
        place = len(self.typed.get(question.text, ()))
        if question.source is not None or place >= len(before):
            return question
        last = before[place]
        try:
            forms.check(question.kind, last, question.text)
        except ValueError:
            return question
        # An empty answer ends a list: there it is only shown.
        default = question.default if question.optional else last
        return replace(question, default=default, last=last)

    def steps_left(self) -> int:
        """How many more answers there are at least, this question with them."""
        ahead, count = Guided(self.test, self.carbs, self.answers), 0
        while ahead.question is not None:
            ahead.answer(_any_answer(ahead.question), 0.0)
            count += 1
        return count

    def back(self) -> Guided:
        """The same test one answer earlier."""
        return Guided(self.test, self.carbs, self.answers[:-1], self.last)

    @property
    def since_s(self) -> float | None:
        """Wall time in s from when on the bench is looked at for the question; None: not yet.

        A straw touches after the answer before, a bench is at rest since the first one, and drops
        fall since the bottle was weighed.
        """
        source = self.question.source if self.question is not None else None
        if source in {"noise_g", "swing_g", "drift_g_per_h"}:
            return self.answers[0][1] if self.answers else None
        if source in {"drops", "first_min", "minutes"}:
            return self.weighed_s[-1] if self.weighed_s else None
        return self.answers[-1][1] if self.answers else None

    @property
    def hours(self) -> float | None:
        """Hours between the first and the last weighing; None before there are two."""
        if len(self.weighed_s) < 2:
            return None
        return (self.weighed_s[-1] - self.weighed_s[0]) / 3600

    def judge(self, settings: Settings, day: date) -> BenchTestResult:
        """Judge the filled-in form. Raises ValueError in one line when it cannot be judged."""
        return judged(self.test, self.form or {}, settings, day)


def _any_answer(question: guides.Question) -> float | None:
    """An answer that would do, the shortest way on."""
    if question.optional or question.default is not None:
        return None
    low, high, above = forms.bounds(question.kind)
    if not math.isfinite(low):
        return 0.0
    return min(low + 1, high) if above else low


def judged(test: str, values: Any, settings: Settings, day: date) -> BenchTestResult:
    """Judge a test by its values. Raises ValueError, one line, naming the field."""
    try:
        form = TESTS[test].form.model_validate(values)
    except ValidationError as error:
        raise ValueError(first_problem(error)) from None
    return TESTS[test].judge(form, settings, day)


def first_problem(error: ValidationError) -> str:
    """The first problem of a form in one line."""
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    return f"{where + ': ' if where else ''}{first['msg'].lower()}"
