"""Bench tests on the page: a steady reading of the cell, and the judging of filled-in forms."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from datetime import datetime
from statistics import fmean, stdev
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field

from soakmon.bench.api import Body
from soakmon.bench.service import Service
from soakmon.options import now
from soakmon.page.access import DeniedError, answers, runs, visitor
from soakmon.page.job_routes import Shelf
from soakmon.weigh import forms, judge

_LOOK_S = 0.05
JobNumber = Annotated[
    str | None, Field(default=None, pattern=r"^\d{4}-\d{4,6}$", description="to keep it with")
]


class Steady(BaseModel):
    """The cell over some seconds: mean and scatter of the net mass, and the mean in counts."""

    mass_g: float | None
    scatter_g: float | None = Field(description="standard deviation; None for one reading")
    counts: float | None
    readings: int


class Said(BaseModel):
    """What a bench test has shown; it is kept."""

    passed: bool
    summary: str
    lines: list[str]


class ResultLine(BaseModel):
    """A result in a list; job: None for the bench's own."""

    at: datetime
    kind: str
    summary: str
    job: str | None


class Calibration(Body):
    """A calibration."""

    job: JobNumber = None
    form: forms.CalibrationForm


class Daily(Body):
    """A daily check."""

    job: JobNumber = None
    form: forms.DailyForm


class Blank(Body):
    """A blank run."""

    job: JobNumber = None
    form: forms.BlankForm


class Drain(Body):
    """Drained bowls."""

    job: JobNumber = None
    form: forms.DrainForm


class Shots(Body):
    """Pump shots."""

    job: JobNumber = None
    form: forms.ShotsForm


class Floats(Body):
    """Weighed floats."""

    job: JobNumber = None
    form: forms.FloatsForm


async def steady(service: Service, over_s: float) -> Steady:
    """Collect the readings that come within so many seconds."""
    until_s = time.monotonic() + over_s
    found: list[float] = []
    last = service.status
    while time.monotonic() < until_s:
        await asyncio.sleep(_LOOK_S)
        if service.status is not last:
            last = service.status
            mass_g = last.get("mass_g")
            if mass_g is not None:
                found.append(float(mass_g))
    if not found:
        return Steady(mass_g=None, scatter_g=None, counts=None, readings=0)
    mean_g = fmean(found)
    return Steady(
        mass_g=round(mean_g, 4),
        scatter_g=round(stdev(found), 4) if len(found) > 1 else None,
        counts=round(mean_g / service.scale.g_per_count + service.scale.zero_counts, 2),
        readings=len(found),
    )


def weigh_routes(service: Service, shelf: Shelf) -> list[APIRouter]:
    """Reading for those who may look, judging and keeping for those who may run."""
    looks = APIRouter(
        prefix="/api",
        tags=["bench tests"],
        dependencies=[Depends(visitor)],
        responses=answers(401, 422),
    )

    @looks.get("/weigh/steady", summary="The cell over some seconds")
    async def weigh(over_s: Annotated[float, Query(ge=0.5, le=8)] = 4.0) -> Steady:
        return await steady(service, over_s)

    @looks.get("/bench-tests", summary="The latest results")
    def results() -> list[ResultLine]:
        return [ResultLine(**one) for one in shelf.book.results()]

    acts = APIRouter(
        prefix="/api/bench-tests",
        tags=["bench tests"],
        dependencies=[Depends(runs)],
        responses=answers(401, 403, 404, 413, 422),
    )
    _add_tests(acts, service, shelf)
    return [looks, acts]


def _add_tests(router: APIRouter, service: Service, shelf: Shelf) -> None:
    settings = service.bench.settings()

    def finish(test: Callable[[], judge.Judged], job: str | None) -> Said:
        try:
            said = test()
        except ValueError as error:
            raise DeniedError(422, str(error)) from None
        # Through JSON: what is kept is what another desk reads.
        data: dict[str, Any] = json.loads(json.dumps(said.data, allow_nan=False))
        shelf.book.keep(said, job, data)
        return Said(passed=said.passed, summary=said.summary, lines=list(said.lines))

    @router.post("/calibration", summary="Judge known masses on the cell, up and down")
    def calibration(body: Calibration) -> Said:
        return finish(lambda: judge.calibration(body.form, now().date()), body.job)

    @router.post("/daily", summary="Judge one known mass on the calibrated cell")
    def daily(body: Daily) -> Said:
        return finish(lambda: judge.daily(body.form), body.job)

    @router.post("/blank", summary="Judge a blank run weighed at both ends")
    def blank(body: Blank) -> Said:
        return finish(lambda: judge.blank(body.form, settings), body.job)

    @router.post("/drain", summary="Judge drained bowls")
    def drain(body: Drain) -> Said:
        return finish(lambda: judge.drain(body.form, settings), body.job)

    @router.post("/shots", summary="Judge accelerator-pump shots")
    def shots(body: Shots) -> Said:
        return finish(lambda: judge.shots(body.form, settings), body.job)

    @router.post("/floats", summary="Judge floats weighed dry and after their soak")
    def floats(body: Floats) -> Said:
        return finish(lambda: judge.floats(body.form), body.job)
