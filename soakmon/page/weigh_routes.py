"""Bench tests on the page: the control API's guides under the page's permissions, and results."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, Depends
from pydantic import BaseModel

from soakmon.bench.guide_api import GuideDesk, add_guides
from soakmon.bench.refusals import answers
from soakmon.page.access import looks_or_runs, visitor
from soakmon.page.job_routes import JobStoreHandle


class ResultLine(BaseModel):
    """A result in a list; job: None for the bench's own."""

    at: datetime
    kind: str
    summary: str
    job: str | None


def weigh_routes(desk: GuideDesk, job_store: JobStoreHandle) -> list[APIRouter]:
    """Reading for those who may look, answering for those who may run."""
    guides = APIRouter(
        prefix="/api",
        tags=["bench tests"],
        dependencies=[Depends(looks_or_runs)],
        responses=answers(401, 403, 409, 413, 422, 503),
    )
    add_guides(guides, desk)
    looks = APIRouter(
        prefix="/api",
        tags=["bench tests"],
        dependencies=[Depends(visitor)],
        responses=answers(401, 422),
    )

    @looks.get("/results", summary="The latest results of bench tests and soaks")
    def results() -> list[ResultLine]:
        return [ResultLine(**result) for result in job_store.jobs.results()]

    return [guides, looks]
