"""Bench tests step by step on the control API: one question after the other, until it is judged.

One test at a time: there is one cell. Its answers are kept in the data folder, so that a blank run
over a night outlives a restart of the service.
"""

from __future__ import annotations

import json
import logging
import threading
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Literal

from fastapi import APIRouter
from pydantic import BaseModel, Field

from soakmon.bench.api import Body
from soakmon.bench.commands import RefusedError
from soakmon.bench.guide_answers import measured_answer
from soakmon.bench.last_answers import keep_answers, last_answers
from soakmon.bench.records_port import StoreResult
from soakmon.bench.refusals import REFUSALS
from soakmon.bench.service import Service
from soakmon.errors import InputError
from soakmon.records.jobs.text import NUMBER_PATTERN
from soakmon.texts import say
from soakmon.weigh.guided import TESTS, Guided

log = logging.getLogger(__name__)
FILE = "bench-test.json"


class Begin(Body):
    """Begin a bench test."""

    test: Literal[
        "calibration",
        "daily",
        "blank",
        "drain",
        "shots",
        "float",
        "isolation",
        "straw",
        "still",
        "drip",
    ]
    job: str | None = Field(default=None, pattern=NUMBER_PATTERN, description="to keep it with")


class Given(Body):
    """An answer: a value, take (the bench answers), or neither for an empty answer."""

    value: float | None = Field(default=None, allow_inf_nan=False)
    take: bool = False


class GuideQuestion(BaseModel):
    """A question; source: what of the bench can answer it."""

    text: str
    note: str
    default: float | None
    optional: bool
    source: str | None
    last: float | None = None


class GuideResult(BaseModel):
    """What the test has shown; it is kept."""

    passed: bool
    summary: str
    lines: list[str]


class GuideState(BaseModel):
    """A test under way (question) or judged (result); answers: how many were given; steps: how many
    there are at least, lists that go on being longer.
    """

    test: str | None = None
    job: str | None = None
    answers: int = 0
    steps: int = 0
    question: GuideQuestion | None = None
    result: GuideResult | None = None


class GuideDesk:
    """The bench test that is under way, if any. keep: keeps a result, with a job or without."""

    def __init__(self, service: Service, keep: StoreResult) -> None:
        self.service, self.keep = service, keep
        self.path = Path(service.journal.path).parent / FILE
        self.lock = threading.Lock()
        self.job: str | None = None
        self.guided = self._reload()

    def begin(self, test: str, job: str | None) -> GuideState:
        """Begin a test. Refused while another, or a soak, has the cell."""
        with self.lock:
            if self.guided is not None:
                raise RefusedError(say("guide_api.under_way_finish_give_up", test=self.guided.test))
            session = self.service.session
            if session is not None and not session.ended:
                raise RefusedError(say("guide_api.soak_running_cell_its_own"))
            last = last_answers(self.path.parent, test)
            self.guided = Guided(test, self.service.bench.rack.carbs, last=last)
            self.job = job
            self._save()
            return self._state()

    def answer(self, given: Given) -> GuideState:
        """Answer the question; after the last one the test is judged and kept."""
        with self.lock:
            guided = self._under_way()
            value = self._take(guided) if given.take else given.value
            try:
                guided.answer(value, self.service.clock.wall_s())
            except ValueError as error:
                raise RefusedError(str(error)) from None
            if guided.question is not None:
                self._save()
                return self._state()
            return self._finish(guided)

    def back(self) -> GuideState:
        """Take the last answer back."""
        with self.lock:
            self.guided = self._under_way().back()
            self._save()
            return self._state()

    def give_up(self) -> GuideState:
        """Forget the test; nothing is kept."""
        with self.lock:
            self._forget()
            return GuideState()

    def state(self) -> GuideState:
        """Where the test is."""
        with self.lock:
            return self._state()

    def _finish(self, guided: Guided) -> GuideState:
        state = self._state()
        day = datetime.fromtimestamp(self.service.clock.wall_s()).astimezone().date()
        try:
            result = guided.judge(self.service.bench.settings(), day)
            self.keep(result, self.job)
        except (ValueError, InputError) as error:
            # The last answer is asked again: the others were work.
            self.guided = guided.back()
            raise RefusedError(str(error)) from None
        keep_answers(self.path.parent, guided)
        self._forget()
        state.result = GuideResult(
            passed=result.passed, summary=result.summary, lines=list(result.lines)
        )
        return state

    def _take(self, guided: Guided) -> float:
        question = guided.question
        if question is None or question.source is None:
            raise RefusedError(say("guide_api.bench_cannot_answer_this_question"))
        began_s = guided.answers[0][1] if guided.answers else self.service.clock.wall_s()
        try:
            return measured_answer(
                question.source,
                guided,
                asdict(self.service.readings.weigh())
                | self.service.readings.seen(guided.since_s or 0.0),
                self.service.readings.mean_air_c(began_s),
                self.service.clock.wall_s,
            )
        except InputError as error:
            raise RefusedError(str(error)) from None

    def _under_way(self) -> Guided:
        if self.guided is None:
            raise RefusedError(say("guide_api.no_bench_test_under_way"))
        return self.guided

    def _state(self) -> GuideState:
        guided = self.guided
        if guided is None:
            return GuideState()
        question = guided.question
        asked = None
        if question is not None:
            asked = GuideQuestion(
                **{name: getattr(question, name) for name in GuideQuestion.model_fields}
            )
        done = len(guided.answers)
        steps = done + guided.steps_left()
        return GuideState(test=guided.test, job=self.job, answers=done, steps=steps, question=asked)

    def _save(self) -> None:
        guided = self._under_way()
        state = {
            "test": guided.test, "job": self.job, "carbs": guided.carbs, "answers": guided.answers,
        }  # fmt: skip
        part = self.path.with_suffix(".part")
        part.write_text(json.dumps(state), encoding="utf-8")
        part.replace(self.path)

    def _forget(self) -> None:
        self.guided = self.job = None
        self.path.unlink(missing_ok=True)

    def _reload(self) -> Guided | None:
        """The test that was under way when the service ended."""
        if not self.path.exists():
            return None
        try:
            state = json.loads(self.path.read_text(encoding="utf-8"))
            self.job = state["job"]
            answers = [(value, float(at_s)) for value, at_s in state["answers"]]
            last = last_answers(self.path.parent, state["test"])
            return Guided(state["test"], int(state["carbs"]), answers, last)
        except (OSError, ValueError, KeyError, TypeError):
            log.exception("%s: the bench test under way cannot be read", self.path)
            return None


def add_guides(router: APIRouter, desk: GuideDesk) -> None:
    """Routes of the guided bench tests."""

    @router.get("/bench-test/kinds", summary="The bench tests there are")
    def kinds() -> dict[str, str]:
        return {name: test.about for name, test in TESTS.items()}

    @router.get("/bench-test", summary="The bench test under way and its question")
    def state() -> GuideState:
        return desk.state()

    @router.post("/bench-test", summary="Begin a bench test", responses=REFUSALS)
    def begin(body: Begin) -> GuideState:
        return desk.begin(body.test, body.job)

    @router.post("/bench-test/answer", summary="Answer its question", responses=REFUSALS)
    def answer(body: Given) -> GuideState:
        return desk.answer(body)

    @router.post("/bench-test/back", summary="Take the last answer back", responses=REFUSALS)
    def back() -> GuideState:
        return desk.back()

    @router.delete("/bench-test", summary="Give it up; nothing is kept")
    def give_up() -> GuideState:
        return desk.give_up()
