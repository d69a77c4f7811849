"""What the records are given: results of soaks and bench tests, with their files."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soakmon.app.order import Order
from soakmon.app.shop_results import SHOP
from soakmon.app.soak_context import context_provider
from soakmon.bench.records_port import RecordsPort
from soakmon.config import Bench
from soakmon.records.identity import NAME as BENCH_ID
from soakmon.records.identity import bench_id
from soakmon.records.jobs.models import Job, StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result, carb_values, find_job
from soakmon.records.opening import now, open_records
from soakmon.records.part_causes import KEY as CAUSES
from soakmon.records.part_causes import causes_form
from soakmon.records.past import KEY, evaporation_of
from soakmon.records.recall import Recalled
from soakmon.records.traits import KEY as TRAITS
from soakmon.records.traits import traits_form
from soakmon.records.verdict_form import VerdictForm
from soakmon.texts import say
from soakmon.watch.decision import Decision
from soakmon.watch.verdict import Outcome
from soakmon.weigh.result import BenchTestResult

# Nobody waits for it, and what is not kept is made all over again, with its report.
KEEPS_TRYING_S = 300.0
OUTCOME_WORDS = {
    Outcome.TIGHT: "keep.tight",
    Outcome.LEAKING: "keep.leaking",
    Outcome.NOT_PROVEN: "keep.not_proven",
}


def records_port(folder: Path, bench: Bench, *, invented: bool) -> RecordsPort:
    """The records of a data folder as the service of a bench uses them."""

    def keep_test(result: BenchTestResult, job: str | None) -> None:
        keep_judged(folder, result, job, bench.service.name)

    return RecordsPort(context_provider(folder, bench, invented=invented), keep_test)


def keep_judged(folder: Path, result: BenchTestResult, job: str | None, bench: str) -> None:
    """Keep the result of a bench test, with a job or as the bench's own."""
    # Through JSON: what is kept is what another desk reads.
    data = json.loads(json.dumps(result.data, allow_nan=False)) | _number(folder)
    with open_records(folder, make=job is None) as records, records.session() as session:
        owner = find_job(session, job) if job is not None else None
        add_result(
            session, owner, now(), kind=result.kind, summary=result.summary, data=data, bench=bench
        )


def keep(order: Order, decision: Decision, title: str, files: list[Path]) -> None:
    """Give the job of a replayed run its verdict and report."""
    if order.job is None:
        return
    with open_records(order.data) as records, records.session() as session:
        _give(
            (records, session),
            find_job(session, order.job),
            order.dated,
            decision=decision,
            data={
                "title": title,
                "bench_toml": order.about.bench_toml,
                "renewed": list(order.about.renewed),
            },
            files=files,
            invented=order.about.invented,
        )


def keep_soak(folder: Path, soak: Recalled, files: list[Path]) -> str:
    """Keep a bench's soak, once: its verdict and report with its job, or what it teaches.

    Returns what came of it, in words.
    """
    number, entry = soak.entry.job, soak.entry
    evaporation = evaporation_of(soak.decision, soak.settings)
    if number is None and evaporation is None:
        return ""
    bench = soak.bench.service.name
    whence = {"bench": bench, "soak": entry.id, "started_wall_s": entry.started_wall_s}
    data: dict[str, Any] = {"title": entry.title, "of_bench": whence, KEY: evaporation}
    data |= {"renewed": list(soak.context.renewed), **_number(folder)}
    data[SHOP] = soak.bench.service.shop
    data[TRAITS] = traits_form(soak.decision.traits, soak.bench, soak.began_at)
    with (
        open_records(folder, make=number is None, patience_s=KEEPS_TRYING_S) as records,
        records.session() as session,
    ):
        job = find_job(session, number) if number is not None else None
        if job is not None:
            carbs = {carb.place: carb_values(carb) for carb in job.carbs}
            data[CAUSES] = causes_form(soak.decision.verdict, carbs, soak.context.shifts)
        owner = job.id if job is not None else None
        results = session.scalars(
            select(StoredResult).where(
                StoredResult.job_id == owner,
                StoredResult.bench == bench,
                StoredResult.data["of_bench"]["soak"].as_integer() == entry.id,
            )
        )
        if any(result.data.get("of_bench") == whence for result in results):
            return f"job {number} has had it since the soak ended" if job is not None else ""
        _give(
            (records, session), job, soak.ended_at, decision=soak.decision, data=data,
            files=files, invented=soak.context.invented, bench=bench,
        )  # fmt: skip
    return f"kept with job {number}" if job is not None else "kept for the bench's later soaks"


def _number(folder: Path) -> dict[str, str]:
    """The bench's own number, where it has one: names can be given twice."""
    own = bench_id(folder)
    return {BENCH_ID: own} if own else {}


def _give(
    opened: tuple[Records, Session],
    job: Job | None,
    at: datetime,
    *,
    decision: Decision,
    data: dict[str, Any],
    files: list[Path],
    invented: bool,
    bench: str | None = None,
) -> None:
    records, session = opened
    verdict = decision.verdict
    phases = [[name, t_s] for name, t_s in decision.phases]
    summary = f"{say(OUTCOME_WORDS[verdict.outcome])}: {verdict.reason}"
    add_result(
        session,
        job,
        at,
        kind="rehearsal" if invented else "soak",
        summary=say("keep.invented", summary=summary) if invented else summary,
        data={**data, "verdict": VerdictForm.of(verdict).as_dict(), "phases": phases},
        bench=bench,
        files=[(records.files, file) for file in files],
    )
