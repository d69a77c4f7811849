"""A soak and the records: what they tell the decider beforehand."""

from __future__ import annotations

import platform
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import tomli_w
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from soakmon import __version__
from soakmon.app.fleet_learning import fleet_of, learnt_of, parts_of_shop
from soakmon.app.shop_results import ShopSoaks, soaks_of_shop
from soakmon.config import PRIVATE, Bench
from soakmon.errors import InputError
from soakmon.records.identity import bench_id, by_namesake
from soakmon.records.jobs.models import Job, StoredResult
from soakmon.records.jobs.work import carb_values, find_job, latest
from soakmon.records.opening import has_records, now, open_records
from soakmon.records.part_causes import learnt_table
from soakmon.records.past import past_soaks
from soakmon.records.priors import Shift, Table, read_table, shifts
from soakmon.records.soak_context import SoakContext
from soakmon.records.verdict_form import VerdictForm
from soakmon.report.content import About
from soakmon.report.paper import Paper
from soakmon.report.words import in_short
from soakmon.texts import say
from soakmon.watch.past import Past
from soakmon.watch.settings import Settings
from soakmon.weigh.in_force import Standing, standing
from soakmon.weigh.reference import KIND as REFERENCE

# So many soaks of a bench are looked at for what they teach.
_LOOKED_AT = 200


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for around a run: the job, where its record is, and the report's form."""

    made: datetime
    job: str | None
    data: Path
    paper: Paper = "a4"
    about: About = field(default_factory=About)
    bench: Bench | None = None


def paper_of(paper: str) -> Paper:
    """The paper that an option names."""
    if paper not in get_args(Paper):
        raise InputError(say("soak_context.paper_a4_letter", paper=paper))
    return cast(Paper, paper)


def ordered(
    job: str | None,
    data: Path,
    day: datetime | None,
    paper: str,
    *,
    bench: Bench | None = None,
    invented: bool = False,
) -> Order:
    """The order that the options name; day: date of the report, now when None."""
    made = day.replace(tzinfo=UTC) if day is not None else now()
    about = About(invented=invented)
    if bench is not None:
        given = snapshot(bench, given=True)
        about = replace(about, bench_toml=given, language=bench.service.language)
    return Order(made, job, data, paper_of(paper), about, bench=bench)


def begin(order: Order, settings: Settings, gates: int) -> tuple[Order, Settings]:
    """Let the job's record speak: what it shifts goes into the settings, the rest to the report."""
    order = replace(order, about=replace(order.about, settings=settings, made=order.made))
    if order.job is None:
        return order, settings
    # A recorded run says the same whatever other soaks are on record.
    context = context_for(order.data, order.job, gates, order.made, order.bench, taught=False)
    past, fleet = settings.priors.past, settings.priors.fleet
    settings = replace(context, past=past, fleet=fleet).applied(settings)
    about = about_of(replace(context, invented=order.about.invented), settings, order.made)
    given = order.about
    about = replace(about, bench_toml=given.bench_toml, language=given.language)
    return replace(order, about=about), settings


def about_of(context: SoakContext, settings: Settings, made: datetime) -> About:
    """What a report says of a soak by what it was told."""
    return About(
        settings,
        made,
        job=context.job,
        customer=context.customer,
        machine=context.machine,
        rack=context.rack,
        calibration=context.calibration,
        reference=context.reference,
        record=context.shifts,
        versions=context.versions or versions(),
        invented=context.invented,
        zone=context.zone,
        renewed=context.renewed,
        before=context.before,
        renewed_before=context.renewed_before,
    )


def snapshot(bench: Bench, *, given: bool = False) -> str:
    """The bench as a report shows it, in TOML; given: only what bench.toml itself says.

    Written anew from what was read, never copied: what is private can be spelt in many ways, and a
    comment can hold anything.
    """
    return tomli_w.dumps(
        bench.model_dump(mode="json", exclude_none=True, exclude=set(PRIVATE), exclude_unset=given)
    )


def versions() -> dict[str, str]:
    """What decides, by name."""
    return {
        "soakmon": __version__, "numpy": np.__version__, "Python": platform.python_version(),
    }  # fmt: skip


def context_provider(
    folder: Path, bench: Bench, *, invented: bool
) -> Callable[[str | None, float], SoakContext]:
    """For a service: what the records tell a soak that begins with a job at a wall time in s."""

    def tell(job: str | None, wall_s: float) -> SoakContext:
        began = datetime.fromtimestamp(wall_s, UTC).astimezone()
        told = context_for(folder, job, bench.rack.carbs, began, bench, invented=invented)
        offset = began.utcoffset()
        return replace(
            told,
            invented=invented,
            utc_offset_s=offset.total_seconds() if offset else 0.0,
            zone=began.tzname() or "",
        )

    return tell


def context_for(
    folder: Path,
    job: str | None,
    gates: int,
    when: datetime,
    bench: Bench | None = None,
    *,
    invented: bool = False,
    taught: bool = True,
) -> SoakContext:
    """What the records tell a soak at that time. gates: of the run, 0 when it has none.

    invented: the bench is a simulated one, and learns from its like only; taught: whether it learns
    from other soaks at all.

    Raises InputError for a job that is not there or has another number of carburettors. Without a
    job, records that cannot be read are told and nothing more: the bench does not wait for them.
    """
    if job is None and not has_records(folder):
        return SoakContext(calibration=standing(None, None, when.date()).text, versions=versions())
    try:
        with open_records(folder) as records, records.session() as session:
            own = bench_id(folder)
            shop = soaks_of_shop(session, bench, invented=invented) if bench and taught else None
            stands = calibration_in_force(session, when.date(), bench, own)
            known = latest(session, REFERENCE, bench.service.name if bench else None, own)
            told = SoakContext(
                reference=known.summary if known else "",
                referred=bool(known and known.data["passed"]),
                calibration=stands.text,
                calibrated=stands.good,
                **(
                    {}
                    if shop is None or bench is None
                    else _learnt(session, shop, bench, own, invented=invented)
                ),
                namesake=namesake(session, bench, own) if bench else "",
                versions=versions(),
            )
            if job is None:
                return told
            found = find_job(session, job)
            table = read_table(folder)
            if shop is not None:
                table = learnt_table(table, parts_of_shop(shop, table))
            told = _with_job(found, _checked_shifts(found, gates, table), told)
            return replace(told, **_before(session, found))
    except InputError as error:
        if job is None:
            return SoakContext(
                calibration=say("soak_context.unknown", error=error), versions=versions()
            )
        raise


def _checked_shifts(job: Job, gates: int, table: Table) -> dict[int, Shift]:
    if gates not in {0, job.carb_count}:
        raise InputError(
            say(
                "soak_context.job_has_carburettors_but_run",
                number=job.number,
                carb_count=job.carb_count,
                gates=gates,
            )
        )
    return shifts(
        {carb.place: carb_values(carb) for carb in job.carbs},
        [(note.carb, note.text) for note in job.notes],
        table,
    )


def _before(session: Session, job: Job) -> dict[str, Any]:
    """What the job's last soak showed, and what had been renewed by then."""
    kept = select(StoredResult).where(
        StoredResult.job_id == job.id, StoredResult.kind.in_(("soak", "rehearsal"))
    )
    last = session.scalars(
        kept.order_by(StoredResult.at.desc(), StoredResult.id.desc()).limit(1)
    ).first()
    if last is None or "verdict" not in last.data:
        return {}
    verdict = VerdictForm.model_validate(last.data["verdict"]).to_verdict()
    return {
        "before": f"{last.at:%Y-%m-%d}: {in_short(verdict)}",
        "renewed_before": tuple(last.data.get("renewed", ())),
    }


def _with_job(job: Job, shifts: dict[int, Shift], context: SoakContext) -> SoakContext:
    return replace(
        context,
        job=job.number,
        customer=job.customer,
        machine=job.machine,
        rack=job.rack,
        shifts=shifts,
        renewed=renewed_parts(job),
    )


# What of a carburettor the record says was renewed, and how that is said.
_RENEWED = {
    ("needle_seat_renewed", True): "renewed.needle_seat",
    ("bowl_gasket_renewed", True): "renewed.bowl_gasket",
    ("drain_oring_renewed", True): "renewed.drain_oring",
    ("overflow_lip", "repaired"): "renewed.overflow",
    ("accelerator_pump", "renewed"): "renewed.accelerator_pump",
    ("air_cutoff", "renewed"): "renewed.air_cutoff",
}


def renewed_parts(job: Job) -> tuple[str, ...]:
    """Parts that the job's record says were renewed or repaired, each with its carb."""
    return tuple(
        say(key, carb=carb.place)
        for carb in job.carbs
        for (field, value), key in _RENEWED.items()
        if getattr(carb, field) == value
    )


def _learnt(
    session: Session, shop: ShopSoaks, bench: Bench, own: str, *, invented: bool
) -> dict[str, Any]:
    """What the bench's own soaks and those of the shop's other benches tell."""
    past = past_of(session, bench, own, invented=invented)
    learnt = learnt_of(shop, bench, own)
    return {
        "past": past,
        "fleet": fleet_of(shop, bench, own, past),
        **learnt.careful(bench),
        "odd": learnt.odd,
    }


def past_of(session: Session, bench: Bench, own: str, *, invented: bool) -> Past:
    """What the soaks that a bench has run tell of the next one; the latest weigh as the oldest.

    own: the bench's number; what another of its name has run teaches it nothing.
    """
    results = _results_of(bench).where(StoredResult.kind == ("rehearsal" if invented else "soak"))
    settings = bench.settings()
    data = [one for one in session.scalars(results) if not by_namesake(one, own)]
    return settings.priors.taught_by(past_soaks(data, settings))


def namesake(session: Session, bench: Bench, own: str) -> str:
    """What to say when another bench in the records has this one's name; else empty."""
    if not any(by_namesake(one, own) for one in session.scalars(_results_of(bench))):
        return ""
    return say("soak_context.another_bench_these_records_named", name=bench.service.name)


def _results_of(bench: Bench) -> Select[tuple[dict[str, Any]]]:
    """Data of the latest results that a bench of this name has made."""
    results = select(StoredResult.data).where(StoredResult.bench == bench.service.name)
    return results.order_by(StoredResult.at.desc(), StoredResult.id.desc()).limit(_LOOKED_AT)


def calibration_in_force(
    session: Session, today: date, bench: Bench | None = None, own: str = ""
) -> Standing:
    """The calibration of a bench (None: of any) on a day, with its latest daily check.

    own: the bench's number; what another of its name has done is not its calibration.
    """
    name = bench.service.name if bench is not None else None
    calibration = latest(session, "calibration", name, own)
    daily = latest(session, "daily_check", name, own)
    if calibration is None:
        return standing(None, None, today)
    checked = None
    if daily is not None and daily.at >= calibration.at:
        checked = {**daily.data, "day": daily.at.date().isoformat()}
    return standing(
        calibration.data,
        checked,
        today,
        bench.cell.g_per_count if bench is not None else None,
    )
