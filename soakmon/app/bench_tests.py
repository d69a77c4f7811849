"""A bench test from its values to its result in the records.

The values are asked for, or read from a file, or taken from a recorded run or from a soak in the
journal.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from soakmon.app.keep_results import keep_judged
from soakmon.bench.client import Client
from soakmon.bench.guide_answers import measured_answer
from soakmon.bench.last_answers import keep_answers, last_answers
from soakmon.bench_toml import read_bench
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.records.opening import now
from soakmon.records.recall import recall
from soakmon.records.run_file import read_run
from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.weigh.blank_run import blank_run
from soakmon.weigh.guided import Guided, judged
from soakmon.weigh.guides import Question
from soakmon.weigh.judge_cell import judged_blank
from soakmon.weigh.prompts import ask_all
from soakmon.weigh.result import BenchTestResult
from soakmon.weigh.watched import isolation_form


@dataclass(frozen=True, slots=True)
class BenchTestOrder:
    """What was asked for around a bench test; client: the service that reads values, if any."""

    bench: Path | None
    job: str | None
    data: Path
    source: Path | None = None
    client: Client | None = None

    def described(self) -> Bench:
        """The bench."""
        return read_bench(self.bench) if self.bench is not None else Bench()


def run_recorded_blank(run: Path, order: BenchTestOrder) -> BenchTestResult:
    """A blank run from a recording of bottle and hose alone."""
    described = order.described()
    return _recorded(_recorded_blank(run, described.settings()), order, described)


def run_soak_isolation(soak: int, order: BenchTestOrder) -> BenchTestResult:
    """The isolation test of a soak in the journal in which the feed was shut."""
    recalled = recall(order.data / "journal.db", soak)
    try:
        form = isolation_form(_quiet(recalled.rows))
        result = judged("isolation", form, recalled.settings, now().date())
    except ValueError as error:
        raise InputError(f"soak {soak}: {error}") from None
    return _recorded(result, order, recalled.bench)


def _quiet(rows: Rows) -> Rows:
    """Without what a bang on the bench had the gates count."""
    return without_knocks(rows, np.diff(rows.t_s, prepend=rows.t_s[:1]))[0]


def _recorded_blank(run: Path, settings: Settings) -> BenchTestResult:
    rows = read_run(run)
    try:
        result = blank_run(
            settings.geometry,
            settings.fuel,
            rows.t_s,
            rows.mass_g,
            rows.air_c,
            zero_g_per_c=settings.priors.zero_g_per_c,
        )
    except ValueError as error:
        raise InputError(str(error)) from None
    return judged_blank(result, {"run": run.name})


def run_test(test: str, order: BenchTestOrder) -> BenchTestResult:
    """Ask for the values of a bench test or read them, judge them, and keep the result."""
    described = order.described()
    where = str(order.source or "the answers")
    values = _read(order.source) if order.source else _asked(test, order, described.rack.carbs)
    try:
        result = judged(test, values, described.settings(), now().date())
    except ValueError as error:
        raise InputError(f"{where}: {error}") from None
    return _recorded(result, order, described)


def _read(source: Path) -> Any:
    try:
        return json.loads(source.read_bytes())
    except OSError as error:
        raise InputError(f"{source}: cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"{source}: invalid JSON: {error}") from None


def _asked(test: str, order: BenchTestOrder, carbs: int) -> Any:
    client = order.client
    if client is not None:
        client.get("/weigh")  # says at once when no service is there

    def take(question: Question, guided: Guided) -> float:
        return _from_bench(client, question, guided)

    begun = Guided(test, carbs, last=last_answers(order.data, test))
    guided = ask_all(begun, sys.stdin, _say, time.time, take if client is not None else None)
    if order.data.is_dir():
        keep_answers(order.data, guided)
    return guided.form


def _from_bench(client: Client | None, question: Question, guided: Guided) -> float:
    if client is None or question.source is None:
        raise InputError("the bench cannot answer this")
    if question.source == "hours":
        return measured_answer("hours", guided, {}, None)
    since_s = guided.answers[0][1] if guided.answers else time.time()
    seen_s = since_s if guided.since_s is None else guided.since_s
    reading = client.get("/weigh", air_since_wall_s=since_s, seen_since_wall_s=seen_s)
    return measured_answer(question.source, guided, reading, reading["air_c"])


def _say(text: str) -> None:
    # Questions go where errors go, so that what is printed is the result alone.
    sys.stderr.write(text)
    sys.stderr.flush()


def _recorded(result: BenchTestResult, order: BenchTestOrder, bench: Bench) -> BenchTestResult:
    keep_judged(order.data, result, order.job, bench.service.name)
    return result
