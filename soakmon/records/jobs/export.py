"""A job as a folder or zip that opens without soakmon: index.html, job.json, CSVs and files.

SHA256SUMS lists every other file with its hash, in the form that `sha256sum -c` reads.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from soakmon.errors import InputError
from soakmon.records.jobs.files import FileStore, picture_type, safe_name, sha256_of
from soakmon.records.jobs.job_form import (
    AttachmentForm,
    CheckForm,
    CorrectionForm,
    JobForm,
    NoteForm,
    ResultForm,
)
from soakmon.records.jobs.models import (
    Attachment,
    ChecklistItem,
    Correction,
    Job,
    Note,
    StoredResult,
)
from soakmon.records.jobs.page import job_page
from soakmon.records.jobs.work import carb_values

SCHEMA = "soakmon.job/1"
SUMS = "SHA256SUMS"


def export_job(job: Job, store: FileStore, target: Path) -> list[str]:
    """Write a job to a .zip file, or else to a folder that must not exist; returns the names.

    Raises InputError when the target is taken or cannot be written, or an attachment is damaged.
    """
    if target.exists():
        raise InputError(f"{target}: exists already; give another name")
    try:
        with TemporaryDirectory(dir=target.parent, prefix=".export-") as name:
            job_folder = Path(name) / "job"
            job_folder.mkdir()
            names = _fill(job_folder, job, store)
            if target.suffix.lower() == ".zip":
                packed = Path(name) / "job.zip"
                _pack(packed, job_folder, names)
                packed.replace(target)
            else:
                job_folder.replace(target)
            return names
    except OSError as error:
        raise InputError(f"{target}: cannot be written: {error.strerror}") from None


def job_dict(job: Job) -> JobForm:
    """A job as JSON types; attachments name their file in the export."""
    return {
        "schema": SCHEMA,
        "number": job.number,
        "created": job.created.isoformat(),
        "customer": job.customer,
        "machine": job.machine,
        "rack": job.rack,
        "carbs": [{"place": carb.place, **carb_values(carb)} for carb in job.carbs],
        "checklist": [_check(check) for check in job.checklist],
        "notes": [_note(note) for note in job.notes],
        "results": [_result(place, result) for place, result in enumerate(job.results, start=1)],
        "attachments": [_attachment(attachment, job.results) for attachment in job.attachments],
        "corrections": [_correction(correction) for correction in job.corrections],
    }


def _correction(correction: Correction) -> CorrectionForm:
    return {
        "at": correction.at.isoformat(),
        "by_whom": correction.by_whom,
        "part": correction.part,
        "place": correction.place,
        "field": correction.field,
        "before": correction.before,
        "after": correction.after,
    }


def _check(check: ChecklistItem) -> CheckForm:
    at = check.done_at.isoformat() if check.done_at else None
    return {"task": check.task, "done_by": check.done_by, "done_at": at}


def _note(note: Note) -> NoteForm:
    at, by = note.at.isoformat(), note.written_by
    return {"at": at, "written_by": by, "carb": note.carb, "text": note.text}


def _result(place: int, result: StoredResult) -> ResultForm:
    form: ResultForm = {
        "at": result.at.isoformat(),
        "kind": result.kind,
        "summary": result.summary,
        "data": result.data,
        "bench": result.bench,
    }
    if _readings(result):
        form["csv"] = f"results/{place:03d}-{safe_name(result.kind)}.csv"
    return form


def _attachment(attachment: Attachment, results: list[StoredResult]) -> AttachmentForm:
    ids = [result.id for result in results]
    return {
        "file": file_name(attachment),
        "name": attachment.name,
        "sha256": attachment.sha256,
        "size_bytes": attachment.size_bytes,
        "at": attachment.at.isoformat(),
        "caption": attachment.caption,
        "result": ids.index(attachment.result_id) + 1 if attachment.result_id in ids else None,
    }


def file_name(attachment: Attachment) -> str:
    """Where an attachment lies in the export; its hash keeps equal names apart."""
    return f"files/{attachment.sha256[:12]}-{safe_name(attachment.name)}"


def _readings(result: StoredResult) -> list[dict[str, Any]]:
    """The readings of a bench test that make a table; a soak's are an attached CSV."""
    readings = result.data.get("readings")
    good = isinstance(readings, list) and readings and all(isinstance(r, dict) for r in readings)
    return list(readings) if good and isinstance(readings, list) else []


def _fill(folder: Path, job: Job, store: FileStore) -> list[str]:
    described = job_dict(job)
    for attachment in job.attachments:
        copied = folder / file_name(attachment)
        copied.parent.mkdir(exist_ok=True)
        shutil.copyfile(store.check(attachment.sha256), copied)
    for form, result in zip(described["results"], job.results, strict=True):
        if "csv" in form:
            (folder / "results").mkdir(exist_ok=True)
            (folder / form["csv"]).write_text(_csv(_readings(result)), encoding="utf-8")
    text = json.dumps(described, indent=1, ensure_ascii=False, sort_keys=True)
    (folder / "job.json").write_text(text + "\n", encoding="utf-8")
    pictures = {
        one for one in _names(folder) if one.startswith("files/") and picture_type(folder / one)
    }
    (folder / "index.html").write_text(job_page(described, pictures), encoding="utf-8")
    names = sorted(_names(folder))
    sums = "".join(f"{sha256_of(folder / name)}  {name}\n" for name in names)
    (folder / SUMS).write_text(sums, encoding="utf-8")
    return [*names, SUMS]


def _names(folder: Path) -> Iterator[str]:
    return (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def _csv(readings: list[dict[str, Any]]) -> str:
    readings = [{str(_cell(name)): value for name, value in row.items()} for row in readings]
    names = list(dict.fromkeys(name for row in readings for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in readings)
    return out.getvalue()


def _cell(value: object) -> object:
    """Text that a spreadsheet would take for a formula is marked as text."""
    formula = isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}
    return f"'{value}" if formula else value


def _pack(packed: Path, folder: Path, names: list[str]) -> None:
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            # A fixed date: the same job makes the same zip.
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            with (folder / name).open("rb") as source, archive.open(info, "w") as target:
                shutil.copyfileobj(source, target)
