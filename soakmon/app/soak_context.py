"""A soak and the records: what they tell the decider beforehand."""

from __future__ import annotations

import platform
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from soakmon import __version__
from soakmon.app.fleet_learning import fleet_of, learnt_of, parts_of_shop
from soakmon.app.shop_results import ShopSoaks, soaks_of_shop
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.records.identity import bench_id, by_namesake
from soakmon.records.jobs.models import Job, StoredResult
from soakmon.records.jobs.work import carb_values, find_job, latest
from soakmon.records.opening import has_records, open_records
from soakmon.records.part_causes import learnt_table
from soakmon.records.past import past_soaks
from soakmon.records.priors import Shift, Table, read_table, shifts
from soakmon.records.soak_context import SoakContext
from soakmon.records.verdict_form import VerdictForm
from soakmon.report.words import in_short
from soakmon.texts import say
from soakmon.watch.past import Past
from soakmon.weigh.in_force import Standing, standing
from soakmon.weigh.reference import KIND as REFERENCE

# So many soaks of a bench are looked at for what they teach.
_LOOKED_AT = 200


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
        context = context_for(folder, job, bench.rack.carbs, began, bench, invented=invented)
        offset = began.utcoffset()
        return replace(
            context,
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
            shop = soaks_of_shop(session, bench, invented=invented) if bench and taught else None
            context = _of_bench(session, bench, bench_id(folder), shop, when, invented=invented)
            if job is None:
                return context
            table = read_table(folder)
            if shop is not None:
                table = learnt_table(table, parts_of_shop(shop, table))
            return _of_job(session, find_job(session, job), gates, table, context)
    except InputError as error:
        if job is None:
            unknown = say("soak_context.unknown", error=error)
            return SoakContext(calibration=unknown, versions=versions())
        raise


def _of_bench(
    session: Session, bench: Bench | None, own: str, shop: ShopSoaks | None, when: datetime, *,
    invented: bool,
) -> SoakContext:  # fmt: skip
    """What is told of the bench itself; shop: of whose soaks it learns, None: of none."""
    calibration = calibration_in_force(session, when.date(), bench, own)
    reference = latest(session, REFERENCE, bench.service.name if bench else None, own)
    context = SoakContext(
        reference=reference.summary if reference else "",
        referred=bool(reference and reference.data["passed"]),
        calibration=calibration.text,
        calibrated=calibration.good,
        namesake=namesake(session, bench, own) if bench else "",
        versions=versions(),
    )
    if shop is None or bench is None:
        return context
    return replace(context, **_learnt(session, shop, bench, own, invented=invented))


def _of_job(
    session: Session, job: Job, gates: int, table: Table, context: SoakContext
) -> SoakContext:
    """The same with what the job's record tells."""
    context = _with_job(job, _checked_shifts(job, gates, table), context)
    return replace(context, **_before(session, job))


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
    query = select(StoredResult).where(
        StoredResult.job_id == job.id, StoredResult.kind.in_(("soak", "rehearsal"))
    )
    last = session.scalars(
        query.order_by(StoredResult.at.desc(), StoredResult.id.desc()).limit(1)
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
    data = [result for result in session.scalars(results) if not by_namesake(result, own)]
    return settings.priors.taught_by(past_soaks(data, settings))


def namesake(session: Session, bench: Bench, own: str) -> str:
    """What to say when another bench in the records has this one's name; else empty."""
    if not any(by_namesake(result, own) for result in session.scalars(_results_of(bench))):
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
