"""What the terminal shows of a job."""

from __future__ import annotations

from datetime import datetime

from rich.console import Console
from rich.table import Table
from rich.text import Text

from soakmon.records.jobs.fields import CarbFields, height_within
from soakmon.records.jobs.job_form import CarbForm, CorrectionForm, JobForm, NoteForm
from soakmon.records.jobs.text import inert


def show_job(console: Console, job: JobForm) -> None:
    """Show a job as `job_dict` gives it."""
    console.print(Text(f"Job {job['number']}", style="bold"))
    for name, value in (
        ("customer", job["customer"]), ("machine", job["machine"]), ("rack", job["rack"]),
    ):  # fmt: skip
        console.print(Text(f"  {name:9} {inert(value)}"))
    console.print(Text(f"  created   {_when(job['created'])}"))
    for carb in job["carbs"]:
        known = {k: v for k, v in carb.items() if k not in {"place", "jets"} and v is not None}
        lines = [f"jet {name} {size}" for name, size in carb["jets"].items()]
        lines += [f"{name.replace('_', ' ')} {_in_words(value)}" for name, value in known.items()]
        text = ", ".join(lines) or "nothing written down"
        told_of = inert(text, lines=True)
        console.print(Text(f"  carb {carb['place']}    {told_of}{_height(carb)}"))
    done = sum(1 for check in job["checklist"] if check["done_by"])
    console.print(Text(f"  checklist {done} of {len(job['checklist'])} done"))
    _block(console, "Notes", [_note(entry) for entry in job["notes"]])
    _block(
        console,
        "Results",
        [f"{_when(r['at'])} {r['kind']}: {r['summary']}" for r in job["results"]],
    )
    _block(console, "Corrections", [_correction(entry) for entry in job["corrections"]])
    _block(console, "Files", [f"{a['name']}  {a['caption']}" for a in job["attachments"]])


def _when(at: str) -> str:
    """A kept time (ISO 8601) by the shop's clock, and its zone."""
    return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M %Z}"


def _correction(correction: CorrectionForm) -> str:
    place = "" if correction["place"] is None else f"{correction['part']} {correction['place']} "
    was = f"{correction['before']!r} is now {correction['after']!r}"
    field = correction["field"].replace("_", " ")
    return f"{_when(correction['at'])} {correction['by_whom']}: {place}{field}: {was}"


def show_carb_fields(console: Console, place: int, values: CarbForm) -> None:
    """Show every field of a carburettor with its value, or what may be written there."""
    table = Table(title=f"carb {place}", box=None, show_header=False, title_justify="left")
    for name, field in CarbFields.model_fields.items():
        value = values[name]
        if value in (None, {}):
            table.add_row(Text(name), Text(f"– ({field.description})", style="dim"))
        else:
            table.add_row(Text(name), Text(_in_words(value)))
    console.print(table)


def _in_words(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {size}" for name, size in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _height(carb: CarbForm) -> str:
    fields = {name: value for name, value in carb.items() if name != "place"}
    within = height_within(CarbFields.model_validate(fields))
    return " – FLOAT HEIGHT OUTSIDE ITS LIMITS" if within is False else ""


def _note(note: NoteForm) -> str:
    who = f"{note['written_by']}: " if note["written_by"] else ""
    where = f"carb {note['carb']}: " if note["carb"] else ""
    return f"{_when(note['at'])} {who}{where}{note['text']}"


def _block(console: Console, heading: str, lines: list[str]) -> None:
    if lines:
        console.print(Text(heading, style="bold"))
    for line in lines:
        console.print(Text(f"  {inert(line, lines=True)}"))
