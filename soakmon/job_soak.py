"""A soak that belongs to a job: what the record tells the decider, and the result it is given."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import cast, get_args

from soakmon.errors import InputError
from soakmon.options import DATA, now, open_records
from soakmon.records.jobs.models import Job
from soakmon.records.jobs.work import add_result, carb_values, find_job, latest
from soakmon.records.priors import read_table, shifts
from soakmon.report.content import About
from soakmon.report.pdf import Paper
from soakmon.watch.decide import Decision
from soakmon.watch.settings import Settings


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for around a run: the job, where its record is, and the report's form."""

    made: datetime
    job: str | None = None
    data: Path = DATA
    paper: Paper = "a4"
    about: About = field(default_factory=About)


def ordered(job: str | None, data: Path, day: datetime | None, paper: str, about: About) -> Order:
    """The order that the options name; day: date of the report, now when None."""
    if paper not in get_args(Paper):
        raise InputError(f"--paper {paper}: a4 or letter")
    made = day.replace(tzinfo=UTC) if day is not None else now()
    return Order(made, job, data, cast(Paper, paper), about)


def begin(order: Order, settings: Settings, gates: int) -> tuple[Order, Settings]:
    """Let the job's record speak: what it shifts goes into the settings, the rest to the report."""
    order = replace(order, about=replace(order.about, settings=settings, made=order.made))
    if order.job is None:
        return order, settings
    with open_records(order.data) as records, records.session() as session:
        job = find_job(session, order.job)
        if gates not in {0, job.carb_count}:
            raise InputError(
                f"job {job.number} has {job.carb_count} carburettors but the run has {gates} "
                "gates: is it the right job?"
            )
        told = shifts(
            {carb.place: carb_values(carb) for carb in job.carbs},
            [(note.carb, note.text) for note in job.notes],
            read_table(order.data),
        )
        calibration = latest(session, "calibration")
        in_force = calibration_words(calibration.data, order.made.date()) if calibration else ""
        about = _about(order.about, job, in_force)
    settings = replace(settings, cause_shift={carb: one.factor for carb, one in told.items()})
    return replace(order, about=replace(about, settings=settings, record=told)), settings


def _about(about: About, job: Job, in_force: str) -> About:
    return replace(
        about,
        job=job.number,
        customer=job.customer,
        machine=job.machine,
        rack=job.rack,
        calibration=in_force,
    )


def calibration_words(data: dict[str, object], today: date) -> str:
    """The latest calibration in words, and whether it is in force."""
    day, expires = str(data["day"]), str(data["expires"])
    text = f"of {day}: {data['g_per_count']:.6g} g per count, good until {expires}"
    if not data["passed"]:
        return f"{text}. NOT IN FORCE: it did not pass"
    if today.isoformat() >= expires:
        return f"{text}. NOT IN FORCE: expired"
    if today.isoformat() < day:
        return f"{text}. NOT IN FORCE on {today.isoformat()}: made later"
    return text


def keep(order: Order, decision: Decision, title: str, files: list[Path]) -> None:
    """Give the job its verdict and report."""
    if order.job is None:
        return
    verdict = decision.verdict
    kind = "rehearsal" if order.about.invented else "soak"
    invented = " (invented data)" if order.about.invented else ""
    data = {
        "verdict": verdict.as_dict(),
        "phases": [[name, t_s] for name, t_s in decision.phases],
        "title": title,
        "bench_toml": order.about.bench_toml,
    }
    with open_records(order.data) as records, records.session() as session:
        add_result(
            session,
            find_job(session, order.job),
            order.made,
            kind=kind,
            summary=f"{verdict.outcome.value}: {verdict.reason}{invented}",
            data=data,
            files=[(records.files, file) for file in files],
        )
