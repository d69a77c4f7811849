"""The report of a soak in the journal, written and kept with its job."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from soakmon import __version__
from soakmon.app.keep_results import OUTCOME_WORDS, keep_soak
from soakmon.app.order import about_of, paper_of, snapshot
from soakmon.errors import InputError
from soakmon.records.holding import holding
from soakmon.records.jobs.work import NUMBER
from soakmon.records.journal import Journal
from soakmon.records.recall import Recalled, recall
from soakmon.report.clock import RunClock
from soakmon.report.content import About
from soakmon.report.files import write_report
from soakmon.report.log import log_of
from soakmon.texts import say

_WAITS_S = 120.0


@dataclass(frozen=True, slots=True)
class Reported:
    """A soak with its report's files; kept: what came of it in the records, in words or empty."""

    soak: Recalled
    title: str
    files: list[Path]
    record_text: str

    @property
    def clock(self) -> RunClock:
        """The shop's clock of the soak."""
        return RunClock(self.soak.began_at, self.soak.context.zone)


def report_soak(data: Path, soak: str | None, folder: Path | None, paper: str) -> Reported:
    """Write the report of a soak in the journal of a data folder, and keep it with its job.

    soak: number of a soak or a job; folder: where it goes; None: where the bench's own reports are.
    """
    chosen_paper = paper_of(paper)
    recalled = recall(data / "journal.db", _chosen(soak))
    title = f"{recalled.entry.title} (soak {recalled.entry.id})"
    folder = folder or data / "reports" / f"soak-{recalled.entry.id}"
    # One at a time: two at once would both find that the job has not got it yet.
    busy = "another report is being made: try again"
    with holding(data, busy, name="report.lock", wait_s=_WAITS_S), _paying(data, recalled, folder):
        files = write_report(
            folder,
            recalled.rows,
            recalled.decision,
            title,
            about_recalled(recalled),
            paper=chosen_paper,
        )
        record_text = (
            _keep_in_records(data, recalled, files) if recalled.entry.ended_t_s is not None else ""
        )
    return Reported(recalled, title, files, record_text)


@contextmanager
def _paying(data: Path, recalled: Recalled, folder: Path) -> Iterator[None]:
    """The report of an ended soak is owed until it lies in its place and records have the soak."""
    own = folder.resolve() == (data / "reports" / f"soak-{recalled.entry.id}").resolve()
    with closing(Journal(data / "journal.db")) as journal:
        if own:
            journal.owe(recalled.entry.id, owed=True)
        yield
        if own:
            journal.owe(recalled.entry.id, owed=False)


def _keep_in_records(data: Path, recalled: Recalled, files: list[Path]) -> str:
    try:
        return keep_soak(data, recalled, files)
    except InputError as error:
        text = f"the report is written, but the soak is not kept in the records: {error}"
        raise InputError(text) from None


def _chosen(soak: str | None) -> int | str | None:
    if soak is None or NUMBER.fullmatch(soak):
        return soak
    if soak.isascii() and soak.isdigit():
        return int(soak)
    raise InputError(f"{soak}: give the number of a soak (7) or of a job (2026-0001)")


def about_recalled(recalled: Recalled) -> About:
    """What the report of a soak says of it, all of it from the journal."""
    remarks = []
    interim = recalled.entry.ended_t_s is None
    if interim:
        remarks.append(say("report_soak.so_far"))
    if recalled.differs:
        remarks.append(
            say(
                "report_soak.judged_again",
                version=__version__,
                outcome=say(OUTCOME_WORDS[recalled.again.outcome]),
                reason=recalled.again.reason,
            )
        )
    return replace(
        about_of(recalled.context, recalled.settings, recalled.ended_at),
        job=recalled.entry.job or "",
        began=recalled.began_at,
        bench=recalled.bench.service.name,
        language=recalled.bench.service.language,
        bench_toml=snapshot(recalled.bench),
        log=log_of(recalled.events, RunClock(recalled.began_at, recalled.context.zone)),
        interim=interim,
        remarks=tuple(remarks),
    )
