"""What is done with jobs: make, find, change, add to."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from soakmon.errors import InputError
from soakmon.records.identity import by_namesake
from soakmon.records.jobs.correct import Author, change_carb
from soakmon.records.jobs.fields import CHECKLIST, CarbFields, parse_pairs
from soakmon.records.jobs.files import FileStore
from soakmon.records.jobs.models import Attachment, Carb, ChecklistItem, Job, Note, StoredResult
from soakmon.records.jobs.store import next_number
from soakmon.records.jobs.text import NUMBER_PATTERN, clean_line, clean_text, file_name, sought
from soakmon.texts import say

MOST_CARBS = 8
_PIECE = 1000
NUMBER = re.compile(NUMBER_PATTERN)


def new_job(
    session: Session, now: datetime, *, customer: str, machine: str, rack: str, carbs: int
) -> Job:
    """Make a job with its carburettors and the standard checklist."""
    if not 1 <= carbs <= MOST_CARBS:
        raise InputError(
            say("work.rack_has_1_carburettors_got", most_carbs=MOST_CARBS, carbs=carbs)
        )
    if not customer.strip():
        raise InputError(say("work.job_needs_customer_reference"))
    job = Job(
        number=next_number(session, now),
        created=now,
        customer=clean_line(customer, "customer"),
        machine=clean_line(machine, "machine"),
        rack=clean_line(rack, "rack"),
        carb_count=carbs,
        carbs=[Carb(place=place, jets={}) for place in range(1, carbs + 1)],
        checklist=[
            ChecklistItem(place=place, task=task) for place, task in enumerate(CHECKLIST, start=1)
        ],
    )
    session.add(job)
    session.flush()
    return job


def find_job(session: Session, number: str) -> Job:
    """The job of a number. Raises InputError when there is none."""
    shaped = NUMBER.fullmatch(number) is not None
    job = session.scalar(select(Job).where(Job.number == number)) if shaped else None
    if job is None:
        shape = "" if shaped else say("work.numbers_look_like_2026_0001")
        raise InputError(say("work.there_no_job_see_soakmon", number=number, shape=shape))
    return job


@dataclass(frozen=True, slots=True)
class Listed:
    """A job as lists show it; last: summary of its latest result."""

    number: str
    created: datetime
    customer: str
    machine: str
    rack: str
    carb_count: int
    last: str = ""


def all_jobs(session: Session, word: str = "", most: int | None = None) -> list[Listed]:
    """All jobs, latest first; word: in number, customer, machine or rack, case and accents aside.

    They are compared in the database, with what was written down for it (`models.search_text`):
    SQLite knows no case beyond English letters. most: no more than so many.
    """
    columns = (Job.number, Job.created, Job.customer, Job.machine, Job.rack, Job.carb_count, Job.id)
    query = select(*columns).order_by(Job.created.desc(), Job.id.desc()).limit(most)
    if wanted := sought(word):
        # By its index of trigrams PostgreSQL finds only what is LIKE; SQLite has none, and this
        # is the quicker of its two ways to read all.
        like = session.get_bind().dialect.name == "postgresql"
        holds = Job.sought.contains(wanted, autoescape=True)
        query = query.where(holds if like else func.instr(Job.sought, wanted) > 0)
    rows = session.execute(query).all()
    last = _last_results(session, [row[6] for row in rows])
    return [Listed(*row[:6], last.get(row[6], "")) for row in rows]


def _last_results(session: Session, jobs: list[int]) -> dict[int, str]:
    """Summary of the latest result by job, asked for in pieces that every database takes."""
    last: dict[int, str] = {}
    for start in range(0, len(jobs), _PIECE):
        query = select(StoredResult.job_id, StoredResult.summary)
        query = query.where(StoredResult.job_id.in_(jobs[start : start + _PIECE]))
        rows = session.execute(query.order_by(StoredResult.at, StoredResult.id))
        last |= {job: summary for job, summary in rows if job is not None}
    return last


def find_carb(job: Job, place: int) -> Carb:
    """One carburettor of a job."""
    for carb in job.carbs:
        if carb.place == place:
            return carb
    raise InputError(
        say(
            "work.job_has_carburettors_1_not",
            number=job.number,
            carb_count=job.carb_count,
            place=place,
        )
    )


def carb_values(carb: Carb) -> dict[str, Any]:
    """Everything written down of a carburettor, by field."""
    return {name: getattr(carb, name) for name in CarbFields.model_fields}


def set_carb(job: Job, place: int, pairs: Iterable[str], by: Author) -> None:
    """Write KEY=VALUE words down in a carburettor's record."""
    carb = find_carb(job, place)
    change_carb(job, carb, parse_pairs(pairs, carb_values(carb)), by)


def add_note(job: Job, now: datetime, text: str, carb: int | None = None, *, by: str = "") -> Note:
    """Add a dated note to a job or one of its carburettors; by: who wrote it, as far as known."""
    if not text.strip():
        raise InputError(say("work.note_empty"))
    if carb is not None:
        find_carb(job, carb)
    words, author = clean_text(text, say("work.note")), clean_line(by, "by")
    note = Note(at=now, carb=carb, text=words, written_by=author)
    job.notes.append(note)
    return note


def tick(job: Job, place: int, by: str, now: datetime) -> ChecklistItem:
    """Tick off a task of the checklist; by: who did it."""
    check = _check(job, place)
    if not by.strip():
        raise InputError(say("work.who_did_give_name"))
    check.done_by, check.done_at = clean_line(by, "by"), now
    return check


def untick(job: Job, place: int) -> ChecklistItem:
    """Take a tick back."""
    check = _check(job, place)
    check.done_by = check.done_at = None
    return check


def add_check(job: Job, task: str) -> ChecklistItem:
    """Add a task to the job's checklist."""
    if not task.strip():
        raise InputError(say("work.task_empty"))
    check = ChecklistItem(place=len(job.checklist) + 1, task=clean_line(task, say("work.task")))
    job.checklist.append(check)
    return check


def _check(job: Job, place: int) -> ChecklistItem:
    for check in job.checklist:
        if check.place == place:
            return check
    raise InputError(
        say("work.checklist_job_has_1", number=job.number, checklist=len(job.checklist))
    )


def attach(
    job: Job, store: FileStore, now: datetime, source: Path, caption: str = ""
) -> Attachment:
    """Keep a copy of a file with the job."""
    caption = clean_line(caption, "caption")
    return _attached(job, now, source.name, caption, store.add(source))


def attach_stream(
    job: Job, store: FileStore, now: datetime, stream: IO[bytes], name: str, *, caption: str = ""
) -> Attachment:
    """Keep what a stream holds with the job, as a file of that name."""
    caption = clean_line(caption, "caption")
    return _attached(job, now, name, caption, store.add_stream(stream, file_name(name)))


def _attached(
    job: Job, now: datetime, name: str, caption: str, stored: tuple[str, int]
) -> Attachment:
    sha256, size = stored
    attachment = Attachment(at=now, name=name, sha256=sha256, size_bytes=size, caption=caption)
    job.attachments.append(attachment)
    return attachment


def add_result(
    session: Session,
    job: Job | None,
    now: datetime,
    *,
    kind: str,
    summary: str,
    data: dict[str, Any],
    bench: str | None = None,
    files: Iterable[tuple[FileStore, Path]] = (),
) -> StoredResult:
    """Keep a result with a job (None: the bench's own), with the files that belong to it.

    bench: name of the bench it was made on.
    """
    owner = job.id if job is not None else None
    result = StoredResult(job_id=owner, at=now, kind=kind, summary=summary, data=data, bench=bench)
    session.add(result)
    session.flush()
    if job is not None:
        session.refresh(job, ["results"])
        for store, path in files:
            attach(job, store, now, path, f"{kind}: {path.name}").result_id = result.id
    return result


def latest(
    session: Session, kind: str, bench: str | None = None, own: str = ""
) -> StoredResult | None:
    """The latest result of a kind, of whatever job or of none.

    bench: only what that bench made, or what was kept without the name of one; own: its number,
    which leaves out what another bench of that name made.
    """
    query = select(StoredResult).where(StoredResult.kind == kind)
    if bench is not None:
        query = query.where(or_(StoredResult.bench == bench, StoredResult.bench.is_(None)))
    results = session.scalars(query.order_by(StoredResult.at.desc(), StoredResult.id.desc()))
    return next((result for result in results if not by_namesake(result.data, own)), None)
