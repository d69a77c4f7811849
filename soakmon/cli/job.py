"""Commands of the job record: soakmon job …"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon.cli.options import DATA, DataOption, user_name
from soakmon.cli.printing import print_line, terminal
from soakmon.errors import InputError

if TYPE_CHECKING:
    from soakmon.records.jobs.correct import Author

commands = typer.Typer(name="job", help="The job record.", no_args_is_help=True)

Number = Annotated[str, typer.Argument(metavar="NUMBER", help="Number of the job, 2026-0001.")]
ByOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="Who writes it down; else your user name.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print as JSON.")]


@commands.command("new")
def new(
    customer: Annotated[str, typer.Option(help="Customer's name or reference.")],
    machine: Annotated[str, typer.Option(help="The machine.")] = "",
    rack: Annotated[str, typer.Option(help="Description of the rack.")] = "",
    carbs: Annotated[int, typer.Option(help="Number of carburettors, 1 to 8.")] = 4,
    data: DataOption = DATA,
) -> None:
    """Make a job and print its number."""
    from soakmon.records.jobs import work
    from soakmon.records.opening import now, open_records

    with open_records(data, make=True) as records, records.session() as session:
        job = work.new_job(
            session, now(), customer=customer, machine=machine, rack=rack, carbs=carbs
        )
        number = job.number
    print_line(number)


@commands.command("list")
def list_jobs(
    word: Annotated[str, typer.Argument(help="Only jobs that contain this word.")] = "",
    most: Annotated[int, typer.Option(min=1, help="At most this many, latest first.")] = 100,
    as_json: JsonOption = False,
    data: DataOption = DATA,
) -> None:
    """List the jobs, latest first."""
    from rich.table import Table
    from rich.text import Text

    from soakmon.records.jobs import work
    from soakmon.records.jobs.text import inert
    from soakmon.records.opening import open_records

    with open_records(data) as records, records.session() as session:
        jobs = work.all_jobs(session, word, None if as_json else most + 1)
    if as_json:
        keys = ("number", "customer", "machine", "rack", "last")
        listed = [{key: getattr(job, key) for key in keys} for job in jobs]
        sys.stdout.write(json.dumps(listed, ensure_ascii=False) + "\n")
        return
    table = Table("number", "customer", "machine", "rack", "last result", box=None)
    for job in jobs[:most]:
        cells = (job.number, job.customer, job.machine, job.rack, job.last)
        table.add_row(*(Text(inert(cell)) for cell in cells))
    terminal().print(table if jobs else Text(f"no job contains {word!r}" if word else "no jobs"))
    if len(jobs) > most:
        print_line("… and more: give a word, or --most")


@commands.command("show")
def show(number: Number, as_json: JsonOption = False, data: DataOption = DATA) -> None:
    """Show everything of a job."""
    from soakmon.cli.job_output import show_job
    from soakmon.records.jobs import work
    from soakmon.records.jobs.export import job_dict
    from soakmon.records.opening import open_records

    with open_records(data) as records, records.session() as session:
        job = job_dict(work.find_job(session, number))
    if as_json:
        sys.stdout.write(json.dumps(job, ensure_ascii=False, indent=1) + "\n")
    else:
        show_job(terminal(), job)


@commands.command("note")
def note(
    number: Number,
    text: Annotated[str, typer.Argument(help="The note; - reads it from standard input.")],
    carb: Annotated[int | None, typer.Option(help="Carburettor it is about.")] = None,
    by: ByOption = None,
    data: DataOption = DATA,
) -> None:
    """Add a dated note."""
    from soakmon.records.jobs import work
    from soakmon.records.opening import now, open_records

    text = sys.stdin.read() if text == "-" else text
    by = user_name() if by is None else by
    with open_records(data) as records, records.session() as session:
        work.add_note(work.find_job(session, number), now(), text, carb, by=by)
    print_line(f"noted in job {number}")


@commands.command("carb")
def carb(
    number: Number,
    place: Annotated[int, typer.Argument(metavar="CARB", help="Carburettor, from 1.")],
    pairs: Annotated[
        list[str] | None, typer.Argument(metavar="KEY=VALUE", help="What to write down.")
    ] = None,
    by: ByOption = None,
    data: DataOption = DATA,
) -> None:
    """Write down what was found and renewed in a carburettor; without KEY=VALUE: list the keys."""
    from soakmon.cli.job_output import show_carb_fields
    from soakmon.records.jobs import work
    from soakmon.records.opening import open_records

    with open_records(data) as records, records.session() as session:
        job = work.find_job(session, number)
        work.set_carb(job, place, pairs or [], _author(by))
        carburettor = work.find_carb(job, place)
        values = work.carb_values(carburettor)
    show_carb_fields(terminal(), place, values)


@commands.command("correct")
def correct(
    number: Number,
    what: Annotated[
        str, typer.Argument(metavar="WHAT", help="customer, machine, rack, note.2 or file.1.")
    ],
    text: Annotated[str, typer.Argument(help="What it is to say.")],
    by: ByOption = None,
    data: DataOption = DATA,
) -> None:
    """Correct a fact, a note or a file's caption; what stood there before is kept."""
    from soakmon.records.jobs import correct, work
    from soakmon.records.opening import open_records

    part, _, place = what.partition(".")
    if part not in {*correct.FACTS, "note", "file"} or (part in correct.FACTS) == place.isdecimal():
        raise InputError(f"{what}: give customer, machine, rack, note.2 or file.1")
    with open_records(data) as records, records.session() as session:
        job = work.find_job(session, number)
        if part == "note":
            correct.correct_note(job, int(place), text, _author(by))
        elif part == "file":
            correct.correct_caption(job, int(place), text, _author(by))
        else:
            correct.correct_job(job, {part: text}, _author(by))
    print_line(f"corrected in job {number}; what stood there before is kept with it")


def _author(by: str | None) -> Author:
    from soakmon.records.jobs.correct import Author
    from soakmon.records.opening import now

    return Author(user_name() if by is None else by, now())


@commands.command("check")
def check(
    number: Number,
    places: Annotated[
        list[int] | None, typer.Argument(metavar="[TASK]", help="Tasks done.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who did it.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take the tick back.")] = False,
    add: Annotated[str | None, typer.Option(help="Add a task to the list.")] = None,
    data: DataOption = DATA,
) -> None:
    """Tick off tasks of the reassembly checklist; without a task: show the list."""
    from soakmon.records.jobs import work
    from soakmon.records.opening import now, open_records

    if places and add is not None:
        raise InputError("either tick a task or --add one")
    with open_records(data) as records, records.session() as session:
        job = work.find_job(session, number)
        if add is not None:
            work.add_check(job, add)
        for place in places or []:
            if undo:
                work.untick(job, place)
            else:
                work.tick(job, place, by, now())
        session.flush()
        tasks = list(job.checklist)
    for task in tasks:
        when = f"  {task.done_by}, {task.done_at:%Y-%m-%d %H:%M}" if task.done_at else ""
        print_line(f"{'☑' if when else '☐'} {task.place:2} {task.task}{when}")


@commands.command("attach")
def attach(
    number: Number,
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Pictures or papers.")],
    caption: Annotated[str, typer.Option(help="What they show.")] = "",
    data: DataOption = DATA,
) -> None:
    """Keep copies of pictures or papers with a job."""
    from soakmon.records.jobs import work
    from soakmon.records.jobs.text import inert
    from soakmon.records.opening import now, open_records

    with open_records(data) as records, records.session() as session:
        job = work.find_job(session, number)
        attachments = [work.attach(job, records.files, now(), file, caption) for file in files]
    for attachment in attachments:
        print_line(
            f"{inert(attachment.name)}: {attachment.size_bytes} bytes, SHA-256 {attachment.sha256}"
        )


@commands.command("export")
def export(
    number: Number,
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="A .zip file, or a folder.")],
    data: DataOption = DATA,
) -> None:
    """Write a job to a zip or folder that opens without soakmon (index.html)."""
    from soakmon.records.jobs import work
    from soakmon.records.jobs.export import export_job
    from soakmon.records.opening import open_records

    with open_records(data) as records, records.session() as session:
        names = export_job(work.find_job(session, number), records.files, target)
    print_line(f"{target}: {len(names)} files; open index.html")


@commands.command("import")
def import_(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="An exported zip or folder.")],
    as_new: Annotated[bool, typer.Option("--as-new", help="Give it a new number.")] = False,
    data: DataOption = DATA,
) -> None:
    """Take in a job that was exported elsewhere, after checking every hash."""
    from soakmon.records.jobs.importing import import_job
    from soakmon.records.opening import now, open_records

    with open_records(data, make=True) as records, records.session() as session:
        number = import_job(session, records.files, source, now(), as_new=as_new).number
    print_line(number)
