"""What is put right in a job: with every change a line of who, when and what stood there before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from soakmon.errors import InputError
from soakmon.records.jobs.models import Carb, Correction, Job
from soakmon.records.jobs.text import clean_line, clean_text
from soakmon.texts import say

T = TypeVar("T")
FACTS = ("customer", "machine", "rack")


@dataclass(frozen=True, slots=True)
class Author:
    """Who puts something right, and when."""

    name: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Part:
    """What is put right: a field of the job itself, or of one of its carbs, notes or files."""

    part: str
    place: int | None
    field: str


def correct_job(job: Job, changes: Mapping[str, str], by: Author) -> None:
    """Put customer, machine or rack right."""
    for field, text in changes.items():
        if field not in FACTS:
            raise InputError(
                say("correct.job_these_can_put_right", field=field, facts=", ".join(FACTS))
            )
        after = clean_line(text, field)
        if field == "customer" and not after.strip():
            raise InputError(say("work.job_needs_customer_reference"))
        _put(job, by, Part("job", None, field), getattr(job, field), after)
        setattr(job, field, after)


def _at(items: Sequence[T], place: int, none: str) -> T:
    """What stands at a place, counting from 1; InputError of these words where nothing does."""
    if not 1 <= place <= len(items):
        raise InputError(none)
    return items[place - 1]


def correct_note(job: Job, place: int, text: str, by: Author) -> None:
    """Put the text of a note right; place: counting from 1."""
    notes = len(job.notes)
    none = say("correct.job_has_notes_no_note", number=job.number, notes=notes, place=place)
    note = _at(job.notes, place, none)
    if not text.strip():
        raise InputError(say("work.note_empty"))
    after = clean_text(text, say("work.note"))
    _put(job, by, Part("note", place, "text"), note.text, after)
    note.text = after


def correct_caption(job: Job, place: int, caption: str, by: Author) -> None:
    """Put the caption of a file right; place: counting from 1."""
    files = len(job.attachments)
    none = say("correct.job_has_files_no_file", number=job.number, attachments=files, place=place)
    attachment, after = _at(job.attachments, place, none), clean_line(caption, "caption")
    _put(job, by, Part("file", place, "caption"), attachment.caption, after)
    attachment.caption = after


def change_carb(job: Job, carb: Carb, values: Mapping[str, Any], by: Author) -> None:
    """Write down of a carburettor; what stood there already is noted as put right."""
    for field, after in values.items():
        before = getattr(carb, field)
        if before not in (None, "", {}):
            _put(job, by, Part("carb", carb.place, field), _in_words(before), _in_words(after))
        setattr(carb, field, after)


def _put(job: Job, by: Author, what: Part, before: str, after: str) -> None:
    if before == after:
        return
    name = clean_line(by.name, "by")
    where = {"part": what.part, "place": what.place, "field": what.field}
    correction = Correction(at=by.at, by_whom=name, before=before, after=after, **where)
    job.corrections.append(correction)


def _in_words(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {size}" for name, size in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
