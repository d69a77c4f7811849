"""The job record as the page's API shows it. Opened when first asked for: it takes memory."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soakmon.page.access import DeniedError
from soakmon.records.jobs import work
from soakmon.records.jobs.correct import (
    Author,
    change_carb,
    correct_caption,
    correct_job,
    correct_note,
)
from soakmon.records.jobs.export import export_job, job_dict
from soakmon.records.jobs.fields import checked
from soakmon.records.jobs.job_form import CarbForm, JobForm
from soakmon.records.jobs.models import Job, StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.opening import database_url, now
from soakmon.records.room import RESERVE_BYTES
from soakmon.texts import say

MOST_RESULTS = 50


class JobService:
    """The records of a data folder, for many threads. Raises DeniedError and InputError."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lock = threading.Lock()
        self.records: Records | None = None

    def close(self) -> None:
        """Let go of the database."""
        with self.lock:
            if self.records is not None:
                self.records.close()
                self.records = None

    def _open(self) -> Records:
        with self.lock:
            if self.records is None:
                self.records = Records(self.folder, database_url(self.folder))
            return self.records

    @contextmanager
    def _job(self, number: str) -> Iterator[tuple[Records, Session, Job]]:
        """A job in a transaction; 404 when there is none."""
        records = self._open()
        with records.session() as session:
            job = session.scalar(select(Job).where(Job.number == number))
            if job is None:
                raise DeniedError(404, say("book.there_no_job", number=number))
            yield records, session, job

    # -- jobs ------------------------------------------------------------------------------------

    def listed(self, word: str, most: int) -> list[dict[str, Any]]:
        """Jobs that hold a word, latest first."""
        names = ("number", "created", "customer", "machine", "rack", "carb_count")
        with self._open().session() as session:
            jobs = work.all_jobs(session, word, most)
            return [{name: getattr(job, name) for name in names} for job in jobs]

    def make(self, *, customer: str, machine: str, rack: str, carbs: int) -> str:
        """Make a job; its number."""
        with self._open().session() as session:
            job = work.new_job(
                session, now(), customer=customer, machine=machine, rack=rack, carbs=carbs
            )
            return job.number

    def shown(self, number: str) -> JobForm:
        """Everything of a job, in the form of its export but for the data of its results."""
        with self._job(number) as (_, _, job):
            described = job_dict(job)
            for result in described["results"]:
                result.pop("data", None)
            return described

    def export(self, number: str, target: Path) -> None:
        """Write the job to a zip file that must not exist."""
        with self._job(number) as (records, _, job):
            export_job(job, records.files, target)

    def set_carb(self, number: str, place: int, changes: CarbForm, by: str) -> CarbForm:
        """Change what is written down of a carburettor; all that is then."""
        with self._job(number) as (_, _, job):
            carbs = [carb for carb in job.carbs if carb.place == place]
            if not carbs:
                raise DeniedError(
                    404, say("book.job_has_no_carburettor", number=number, place=place)
                )
            values = checked(work.carb_values(carbs[0]) | changes)
            change_carb(job, carbs[0], values, Author(by, now()))
            return values

    def correct(self, number: str, changes: dict[str, str], by: str) -> None:
        """Put customer, machine or rack right; by: who does."""
        with self._job(number) as (_, _, job):
            correct_job(job, changes, Author(by, now()))

    def correct_note(self, number: str, place: int, text: str, by: str) -> None:
        """Put a note right."""
        with self._job(number) as (_, _, job):
            if place > len(job.notes):
                raise DeniedError(404, say("book.job_has_no_note", number=number, place=place))
            correct_note(job, place, text, Author(by, now()))

    def correct_caption(self, number: str, place: int, caption: str, by: str) -> None:
        """Put the caption of a file right."""
        with self._job(number) as (_, _, job):
            if place > len(job.attachments):
                raise DeniedError(404, say("book.job_has_no_file", number=number, place=place))
            correct_caption(job, place, caption, Author(by, now()))

    def tick(self, number: str, place: int, by: str, *, done: bool) -> None:
        """Tick a task of the checklist off, or take the tick back."""
        with self._job(number) as (_, _, job):
            if not 1 <= place <= len(job.checklist):
                raise DeniedError(
                    404, say("book.checklist_job_has_no_task", number=number, place=place)
                )
            if done:
                work.tick(job, place, by, now())
            else:
                work.untick(job, place)

    def add_task(self, number: str, task: str) -> None:
        """Add a task to the checklist."""
        with self._job(number) as (_, _, job):
            work.add_check(job, task)

    def add_note(self, number: str, text: str, carb: int | None, by: str) -> None:
        """Add a dated note; by: who wrote it."""
        with self._job(number) as (_, _, job):
            work.add_note(job, now(), text, carb, by=by)

    # -- files -----------------------------------------------------------------------------------

    def attach(self, number: str, stream: IO[bytes], name: str, caption: str) -> str:
        """Keep what a stream holds with a job; its SHA-256."""
        if shutil.disk_usage(self.folder).free < RESERVE_BYTES:
            raise DeniedError(409, say("book.disk_nearly_full_soak_s"))
        with self._job(number) as (records, _, job):
            return work.attach_stream(
                job, records.files, now(), stream, name, caption=caption
            ).sha256

    def attachment(self, number: str, sha256: str) -> tuple[Path, str]:
        """Where a file of this job lies, and its name; 404 when the job has no such file."""
        with self._job(number) as (records, _, job):
            attachments = [file for file in job.attachments if file.sha256 == sha256]
            if not attachments:
                raise DeniedError(404, say("book.job_has_no_such_file", number=number))
            path = records.files.path(sha256)
            if not path.is_file():
                raise DeniedError(404, say("book.file_missing_restore_from_backup"))
            return path, attachments[0].name

    # -- results ---------------------------------------------------------------------------------

    def results(self) -> list[dict[str, Any]]:
        """The latest results of bench tests and soaks, of jobs and of the bench itself."""
        query = select(StoredResult, Job.number).outerjoin(Job, Job.id == StoredResult.job_id)
        query = query.order_by(StoredResult.at.desc(), StoredResult.id.desc()).limit(MOST_RESULTS)
        with self._open().session() as session:
            return [
                {"at": stored.at, "kind": stored.kind, "summary": stored.summary, "job": number}
                for stored, number in session.execute(query)
            ]
