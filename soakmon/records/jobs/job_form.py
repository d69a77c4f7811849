"""A job as JSON: what its export, the API and the page of an export hold. Times are ISO 8601, UTC.

Read from outside, it is checked by `importing`.
"""

from __future__ import annotations

from typing import Any, NotRequired, TypedDict

CarbForm = dict[str, Any]
"""place, and what may be written down of a carburettor (`fields.CarbFields`)."""


class CheckForm(TypedDict):
    """One step of the checklist."""

    task: str
    done_by: str | None
    done_at: str | None


class NoteForm(TypedDict):
    """A note; carb: None for the whole job."""

    at: str
    written_by: str
    carb: int | None
    text: str


class ResultForm(TypedDict):
    """What a soak or a bench test gave; csv: file of its readings in an export."""

    at: str
    kind: str
    summary: str
    data: NotRequired[dict[str, Any]]
    bench: str | None
    csv: NotRequired[str]


class AttachmentForm(TypedDict):
    """A file; result: to which result it belongs, counted from 1."""

    file: str
    name: str
    sha256: str
    size_bytes: int
    at: str
    caption: str
    result: int | None


class CorrectionForm(TypedDict):
    """What stood there before somebody put it right."""

    at: str
    by_whom: str
    part: str
    place: int | None
    field: str
    before: str
    after: str


class JobForm(TypedDict):
    """All of a job."""

    schema: str
    number: str
    created: str
    customer: str
    machine: str
    rack: str
    carbs: list[CarbForm]
    checklist: list[CheckForm]
    notes: list[NoteForm]
    results: list[ResultForm]
    attachments: list[AttachmentForm]
    corrections: list[CorrectionForm]
