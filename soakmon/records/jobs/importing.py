"""Takes an exported job in: every name and hash is checked before anything is written."""

from __future__ import annotations

import json
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path, PurePosixPath
from typing import IO, Annotated, Any, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from soakmon.errors import InputError
from soakmon.records.jobs.export import SCHEMA, SUMS
from soakmon.records.jobs.fields import CarbFields
from soakmon.records.jobs.files import MOST_BYTES, FileStore, sha256_of_stream
from soakmon.records.jobs.models import (
    Attachment,
    Carb,
    ChecklistItem,
    Correction,
    Job,
    Note,
    StoredResult,
)
from soakmon.records.jobs.store import next_number, take_number
from soakmon.records.jobs.text import clean_text
from soakmon.records.room import Room

_MOST_FILES = 10_000
_MOST_TOTAL = 2_000_000_000
_MOST_TEXT = 64_000_000
# A day of readings packs to a tenth; only made-up files to a hundredth.
_PACKED_RATIO, _SMALL = 100, 1_000_000

Opener = Callable[[], IO[bytes]]


def _checked_text(text: str) -> str:
    try:
        return clean_text(text, "text")
    except InputError as error:
        raise ValueError(str(error)) from None


def _plain_data(data: dict[str, Any]) -> dict[str, Any]:
    """Data that every database and browser takes: no NaN, nothing endless, no NUL."""
    if "\\u0000" in json.dumps(data, allow_nan=False):
        raise ValueError("it holds U+0000")
    return data


Text = Annotated[str, Field(max_length=20_000), AfterValidator(_checked_text)]
Data = Annotated[dict[str, Any], AfterValidator(_plain_data)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


# A digit less than our own may have: numbers go on from the greatest that was taken in.
_NUMBER = r"^\d{4}-\d{4,8}$"


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Carb(CarbFields):
    place: int = Field(ge=1, le=8)


class _Check(_Strict):
    task: Text
    done_by: Text | None
    done_at: AwareDatetime | None


class _Note(_Strict):
    at: AwareDatetime
    carb: int | None = Field(ge=1, le=8)
    text: Text
    written_by: Text = ""


class _Result(_Strict):
    at: AwareDatetime
    kind: Text
    summary: Text
    data: Data
    bench: Text | None = None
    csv: Text | None = None


class _Attachment(_Strict):
    file: Text
    name: Annotated[str, Field(max_length=500)]
    sha256: Sha256
    size_bytes: int = Field(ge=0, le=MOST_BYTES)
    at: AwareDatetime
    caption: Text
    result: int | None = Field(ge=1)


class _Correction(_Strict):
    at: AwareDatetime
    by_whom: Text
    part: Literal["job", "carb", "note", "file"]
    place: int | None = Field(ge=1, le=100_000)
    field: Text
    before: Text
    after: Text


class _Job(_Strict):
    schema_: Literal["soakmon.job/1"] = Field(alias="schema")
    number: str = Field(pattern=_NUMBER)
    created: AwareDatetime
    customer: Text
    machine: Text
    rack: Text
    carbs: list[_Carb] = Field(min_length=1, max_length=8)
    checklist: list[_Check] = Field(max_length=1000)
    notes: list[_Note] = Field(max_length=100_000)
    results: list[_Result] = Field(max_length=10_000)
    attachments: list[_Attachment] = Field(max_length=_MOST_FILES)
    corrections: list[_Correction] = Field(default_factory=list, max_length=100_000)


def import_job(
    session: Session, store: FileStore, source: Path, now: datetime, *, as_new: bool = False
) -> Job:
    """Take in a job exported to a zip or folder. as_new: under a number of this desk.

    Raises InputError for names that leave the export, wrong hashes, or a number that is taken.
    """
    try:
        if source.is_dir():
            return _take(session, store, _folder(source), now, as_new=as_new)
        with zipfile.ZipFile(source) as archive:
            return _take(session, store, _zip(archive), now, as_new=as_new)
    except zipfile.BadZipFile:
        raise InputError(f"{source}: is neither an exported job nor a whole zip of one") from None
    except (zlib.error, lzma.LZMAError, struct.error, EOFError, RuntimeError, ValueError) as error:
        # Damaged, encrypted, or packed in a way that zipfile does not read.
        raise InputError(
            f"{source}: cannot be unpacked: {str(error) or 'it is cut short'}"
        ) from None
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror or error}") from None


def _safe(name: str) -> str:
    path = PurePosixPath(name)
    parts = path.parts
    bad = path.is_absolute() or ".." in parts or "\\" in name or ":" in name or "\0" in name
    if bad or not parts or path.as_posix() != name:
        raise InputError(f"{name!r}: a name that leaves the export: refused")
    return name


def _folder(folder: Path) -> dict[str, Opener]:
    openers: dict[str, Opener] = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            raise InputError(f"{path}: is a link: refused")
        if path.is_file():
            openers[_safe(path.relative_to(folder).as_posix())] = partial(_open, path)
    return openers


def _open(path: Path) -> IO[bytes]:
    return path.open("rb")


def _zip(archive: zipfile.ZipFile) -> dict[str, Opener]:
    members = [m for m in archive.infolist() if not m.is_dir()]
    if len(members) > _MOST_FILES or sum(m.file_size for m in members) > _MOST_TOTAL:
        raise InputError("the zip holds more than a job can: refused")
    openers: dict[str, Opener] = {}
    for member in members:
        if member.file_size > _PACKED_RATIO * member.compress_size + _SMALL:
            raise InputError(f"{member.filename!r}: unpacks to far more than it holds: refused")
        if (member.external_attr >> 16) & 0o170000 == 0o120000:
            raise InputError(f"{member.filename!r}: is a link: refused")
        if _safe(member.filename) in openers:
            raise InputError(f"{member.filename!r}: is there twice: refused")
        openers[member.filename] = partial(archive.open, member)
    return openers


def _text(files: dict[str, Opener], name: str) -> bytes:
    if name not in files:
        raise InputError(f"{name} is missing: this is not an exported job")
    with files[name]() as file:
        data = file.read(_MOST_TEXT + 1)
    if len(data) > _MOST_TEXT:
        raise InputError(f"{name}: is too large")
    return data


def _sums(files: dict[str, Opener]) -> dict[str, str]:
    sums = {}
    for line in _text(files, SUMS).decode("utf-8", "replace").splitlines():
        match = re.fullmatch(r"([0-9a-f]{64})  (.+)", line)
        if match is None:
            raise InputError(f"{SUMS}: {line[:80]!r} is not a line of hash and name")
        sums[_safe(match[2])] = match[1]
    if extra := sorted(set(files) - set(sums) - {SUMS}):
        raise InputError(f"{extra[0]}: is not listed in {SUMS}: refused")
    if missing := sorted(set(sums) - set(files)):
        raise InputError(f"{missing[0]}: is listed in {SUMS} but missing")
    return sums


def _take(
    session: Session, store: FileStore, files: dict[str, Opener], now: datetime, *, as_new: bool
) -> Job:
    sums = _sums(files)
    sizes = {name: _check_hash(files[name], name, wanted) for name, wanted in sums.items()}
    read = _read(_text(files, "job.json"))
    for attachment in read.attachments:
        if sums.get(attachment.file) != attachment.sha256:
            raise InputError(f"{attachment.file}: job.json and {SUMS} do not agree on its hash")
    if [carb.place for carb in read.carbs] != list(range(1, len(read.carbs) + 1)):
        raise InputError("job.json: carbs: their places must count from 1")
    taken = session.scalar(select(Job.id).where(Job.number == read.number)) is not None
    if taken and not as_new:
        raise InputError(f"job {read.number} exists already; --as-new gives it a new number")
    _check_room(store, read, sizes)
    if not as_new:
        take_number(session, read.number)
    job = _job(read, next_number(session, now) if as_new else read.number)
    session.add(job)
    session.flush()
    for attachment in read.attachments:
        with files[attachment.file]() as stream:
            sha256, size = store.add_stream(stream, attachment.file)
        if sha256 != attachment.sha256:
            raise InputError(f"{attachment.file}: changed while it was read")
        job.attachments.append(_attachment(attachment, sha256, size, job))
    session.flush()
    return job


def _check_hash(opener: Opener, name: str, wanted: str) -> int:
    """The size in bytes, as read, of a file whose content has its hash."""
    with opener() as file:
        if sha256_of_stream(file) != wanted:
            raise InputError(f"{name}: is damaged: its SHA-256 is not the one in {SUMS}")
        return file.tell()


def _check_room(store: FileStore, read: _Job, sizes: dict[str, int]) -> None:
    """Before the first file is kept: the disk must have room for all that are not there yet."""
    room = Room(store.folder)
    for sha256, file in {
        attachment.sha256: attachment.file for attachment in read.attachments
    }.items():
        if sizes[file] > MOST_BYTES:
            raise InputError(f"{file}: is larger than {MOST_BYTES // 1_000_000} MB")
        if not store.path(sha256).exists():
            room.take(sizes[file], f"job {read.number}")


def _read(text: bytes) -> _Job:
    try:
        return _Job.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(f"job.json: {where}: {first['msg']} ({SCHEMA})") from None


def _job(read: _Job, number: str) -> Job:
    return Job(
        number=number,
        created=read.created,
        customer=read.customer,
        machine=read.machine,
        rack=read.rack,
        carb_count=len(read.carbs),
        carbs=[Carb(**carb.model_dump()) for carb in read.carbs],
        checklist=[
            ChecklistItem(place=place, **check.model_dump())
            for place, check in enumerate(read.checklist, start=1)
        ],
        notes=[Note(**note.model_dump()) for note in read.notes],
        results=[StoredResult(**result.model_dump(exclude={"csv"})) for result in read.results],
        corrections=[Correction(**correction.model_dump()) for correction in read.corrections],
    )


def _attachment(form: _Attachment, sha256: str, size: int, job: Job) -> Attachment:
    known = form.result is not None and form.result <= len(job.results)
    return Attachment(
        name=form.name,
        sha256=sha256,
        size_bytes=size,
        at=form.at,
        caption=form.caption,
        result_id=job.results[form.result - 1].id if known and form.result else None,
    )
