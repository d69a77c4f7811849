"""Jobs on the page: list, record of each carburettor, checklist, notes and files."""

from __future__ import annotations

import asyncio
import tempfile
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi import Path as FromPath
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel, Field
from starlette.background import BackgroundTask

from soakmon.bench.api import Body
from soakmon.bench.refusals import answers
from soakmon.page.access import DeniedError, runs, visitor
from soakmon.page.store import Visitor
from soakmon.records.jobs.fields import CarbFields
from soakmon.records.jobs.files import picture_type
from soakmon.records.jobs.text import NUMBER_PATTERN
from soakmon.texts import say

if TYPE_CHECKING:
    from soakmon.page.job_service import JobService

_IN_MEMORY_BYTES = 1_000_000
MOST_CARBS = 8

Number = Annotated[str, FromPath(pattern=NUMBER_PATTERN, description="as 2026-0001")]
Place = Annotated[int, FromPath(ge=1, le=10_000)]
Sha256 = Annotated[str, FromPath(pattern=r"^[0-9a-f]{64}$")]
Runner = Annotated[Visitor, Depends(runs)]
Words = Annotated[str, Field(max_length=500)]
# A file is data, whatever it holds: nothing in it runs, and nothing is fetched from it.
FILE_POLICY = {"Content-Security-Policy": "default-src 'none'; sandbox; frame-ancestors 'none'"}


class JobLine(BaseModel):
    """A job in a list."""

    number: str
    created: datetime
    customer: str
    machine: str
    rack: str
    carb_count: int


class NewJob(Body):
    """A rack that has come in."""

    customer: Words = Field(min_length=1, description="name or reference")
    machine: Words = ""
    rack: Words = Field(default="", description="what it is")
    carbs: int = Field(default=4, ge=1, le=MOST_CARBS)


class Done(Body):
    """Whether a task is done; who did it is whoever is signed in."""

    done: bool


class Task(Body):
    """A further task of the checklist."""

    task: Words = Field(min_length=1)


class NewNote(Body):
    """A dated note on the job or one of its carburettors; its author is whoever is signed in."""

    text: str = Field(min_length=1, max_length=4000)
    carb: int | None = Field(default=None, ge=1, le=MOST_CARBS)


class Facts(Body):
    """What of a job is put right; what is not given stays."""

    customer: Words = Field(default="", min_length=1)
    machine: Words = ""
    rack: Words = ""


class NoteText(Body):
    """The text of a note, put right."""

    text: str = Field(min_length=1, max_length=4000)


class Caption(Body):
    """The caption of a file, put right."""

    caption: Words


class StoredFile(BaseModel):
    """A file that has been kept, under the SHA-256 of what it holds."""

    sha256: str


class JobStoreHandle:
    """Holds the job record, which is imported and opened when somebody first asks for it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.service: JobService | None = None

    @property
    def jobs(self) -> JobService:
        """The job record."""
        # Imported here: a bench that only soaks saves the database library's memory.
        from soakmon.page.job_service import JobService  # noqa: PLC0415 - an extra

        if self.service is None:
            self.service = JobService(self.folder)
        return self.service

    def close(self) -> None:
        """Close the record, if it was opened."""
        if self.service is not None:
            self.service.close()


def job_routes(job_store: JobStoreHandle) -> list[APIRouter]:
    """Reading for those who may look, writing for those who may run."""
    looks = APIRouter(
        prefix="/api/jobs",
        tags=["jobs"],
        dependencies=[Depends(visitor)],
        responses=answers(401, 404, 422),
    )
    writes = APIRouter(
        prefix="/api/jobs", tags=["jobs"], responses=answers(401, 403, 404, 409, 413, 422)
    )
    _add_reading(looks, job_store)
    _add_writing(writes, job_store)
    _add_files(looks, writes, job_store)
    return [looks, writes]


def _add_reading(router: APIRouter, job_store: JobStoreHandle) -> None:
    @router.get("", summary="Jobs, latest first")
    def listed(
        word: Annotated[str, Query(max_length=100, description="that they hold")] = "",
        most: Annotated[int, Query(ge=1, le=1000)] = 200,
    ) -> list[JobLine]:
        return [JobLine(**job) for job in job_store.jobs.listed(word, most)]

    @router.get("/{number}", summary="Everything of a job")
    def shown(number: Number) -> dict[str, Any]:
        return dict(job_store.jobs.shown(number))

    @router.get(
        "/{number}/export.zip",
        summary="The job as a zip that opens without soakmon",
        response_class=Response,
        responses={200: {"description": "the file", "content": {"application/zip": {}}}},
    )
    def export(number: Number) -> FileResponse:
        folder = tempfile.TemporaryDirectory(prefix="soakmon-")
        target = Path(folder.name) / "job.zip"
        try:
            job_store.jobs.export(number, target)
        except BaseException:
            folder.cleanup()
            raise
        return FileResponse(
            target,
            media_type="application/zip",
            filename=f"job-{number}.zip",
            background=BackgroundTask(folder.cleanup),
        )


def _add_writing(router: APIRouter, job_store: JobStoreHandle) -> None:
    acts = [Depends(runs)]

    @router.post("", summary="Make a job", dependencies=acts)
    def make(body: NewJob) -> dict[str, str]:
        return {"number": job_store.jobs.make(**body.model_dump())}

    @router.patch("/{number}/carbs/{place}", summary="Write down of a carburettor")
    def set_carb(number: Number, place: Place, body: CarbFields, who: Runner) -> CarbFields:
        changes = body.model_dump(exclude_unset=True)
        return CarbFields(**job_store.jobs.set_carb(number, place, changes, who.name))

    @router.patch("/{number}", summary="Put customer, machine or rack right")
    def correct(number: Number, body: Facts, who: Runner) -> Facts:
        job_store.jobs.correct(number, body.model_dump(exclude_unset=True), who.name)
        return body

    @router.patch("/{number}/notes/{place}", summary="Put a note right")
    def correct_note(number: Number, place: Place, body: NoteText, who: Runner) -> NoteText:
        job_store.jobs.correct_note(number, place, body.text, who.name)
        return body

    @router.patch("/{number}/captions/{place}", summary="Put the caption of a file right")
    def correct_caption(number: Number, place: Place, body: Caption, who: Runner) -> Caption:
        job_store.jobs.correct_caption(number, place, body.caption, who.name)
        return body

    @router.put("/{number}/checklist/{place}", summary="Tick a task off, or take it back")
    def tick(number: Number, place: Place, body: Done, who: Runner) -> Done:
        job_store.jobs.tick(number, place, who.name, done=body.done)
        return body

    @router.post("/{number}/checklist", summary="Add a task", dependencies=acts)
    def add_task(number: Number, body: Task) -> Task:
        job_store.jobs.add_task(number, body.task)
        return body

    @router.post("/{number}/notes", summary="Add a dated note")
    def add_note(number: Number, body: NewNote, who: Runner) -> NewNote:
        job_store.jobs.add_note(number, body.text, body.carb, who.name)
        return body


_UPLOAD = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


def _add_files(looks: APIRouter, writes: APIRouter, job_store: JobStoreHandle) -> None:
    @writes.post(
        "/{number}/files",
        summary="Keep a picture or paper with the job; the body is the file",
        dependencies=[Depends(runs)],
        openapi_extra=_UPLOAD,
    )
    async def attach(
        number: Number,
        request: Request,
        name: Annotated[str, Query(min_length=1, max_length=200, description="of the file")],
        caption: Annotated[str, Query(max_length=500)] = "",
    ) -> StoredFile:
        with tempfile.SpooledTemporaryFile(_IN_MEMORY_BYTES) as held:
            async for block in request.stream():
                held.write(block)
            if held.tell() == 0:
                raise DeniedError(422, say("job_routes.file_empty"))
            held.seek(0)

            def keep() -> str:
                return job_store.jobs.attach(number, held, name, caption)

            return StoredFile(sha256=await asyncio.to_thread(keep))

    @looks.get(
        "/{number}/files/{sha256}",
        summary="A file of the job",
        response_class=Response,
        responses={200: {"description": "the file", "content": {"*/*": {}}}},
    )
    def file(number: Number, sha256: Sha256) -> FileResponse:
        path, name = job_store.jobs.attachment(number, sha256)
        kind = picture_type(path)
        return FileResponse(
            path,
            media_type=kind or "application/octet-stream",
            filename=name,
            # Only pictures are shown; anything else is saved.
            content_disposition_type="inline" if kind else "attachment",
            headers=FILE_POLICY,
        )
