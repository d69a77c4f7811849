"""What was asked for around a run, and what the report says for it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast, get_args

import tomli_w

from soakmon.app.soak_context import context_for, versions
from soakmon.config import PRIVATE, Bench
from soakmon.errors import InputError
from soakmon.records.opening import now
from soakmon.records.soak_context import SoakContext
from soakmon.report.content import About
from soakmon.report.paper import Paper
from soakmon.texts import say
from soakmon.watch.settings import Settings


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked for around a run: the job, where its record is, and the report's form."""

    dated: datetime
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
    dated = day.replace(tzinfo=UTC) if day is not None else now()
    about = About(invented=invented)
    if bench is not None:
        given = snapshot(bench, given=True)
        about = replace(about, bench_toml=given, language=bench.service.language)
    return Order(dated, job, data, paper_of(paper), about, bench=bench)


def begin(order: Order, settings: Settings, gates: int) -> tuple[Order, Settings]:
    """Let the job's record speak: what it shifts goes into the settings, the rest to the report."""
    order = replace(order, about=replace(order.about, settings=settings, dated=order.dated))
    if order.job is None:
        return order, settings
    # A recorded run says the same whatever other soaks are on record.
    context = context_for(order.data, order.job, gates, order.dated, order.bench, taught=False)
    past, fleet = settings.priors.past, settings.priors.fleet
    settings = replace(context, past=past, fleet=fleet).applied(settings)
    about = about_of(replace(context, invented=order.about.invented), settings, order.dated)
    given = order.about
    about = replace(about, bench_toml=given.bench_toml, language=given.language)
    return replace(order, about=about), settings


def about_of(context: SoakContext, settings: Settings, dated: datetime) -> About:
    """What a report says of a soak by what it was told."""
    return About(
        settings,
        dated,
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
