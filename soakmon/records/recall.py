"""A soak out of the journal: the verdict that the bench gave, and its curve judged again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.records.journal import Event, Journal, SoakEntry
from soakmon.records.shut import with_events
from soakmon.records.soak_context import SoakContext, context_in
from soakmon.records.verdicts import same_result, unjudged
from soakmon.watch.decide import decide
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Recalled:
    """A soak with everything a report needs.

    The verdict of the decision is the one in the journal; while there is none, that of now. again:
    what comes out when the rows are judged again.
    """

    entry: SoakEntry
    bench: Bench
    context: SoakContext
    settings: Settings
    events: tuple[Event, ...]
    rows: Rows
    decision: Decision
    again: Verdict

    @property
    def began_at(self) -> datetime:
        """When it began, by the shop's clock."""
        return self._at(self.entry.started_wall_s)

    @property
    def ended_at(self) -> datetime:
        """When it ended, by the shop's clock: always the same, whenever it is asked for."""
        last = self.events[-1].wall_s if self.events else self.entry.started_wall_s
        ends = [e.wall_s for e in self.events if e.kind == "verdict"]
        return self._at(ends[-1] if ends else last)

    def _at(self, wall_s: float) -> datetime:
        zone = timezone(timedelta(seconds=self.context.utc_offset_s))
        return datetime.fromtimestamp(int(wall_s), zone)

    @property
    def differs(self) -> bool:
        """Whether another verdict comes out now than the bench gave."""
        return not same_result(self.decision.verdict, self.again)


def recall(path: Path, soak: int | str | None = None) -> Recalled:
    """Read a soak; InputError when there is none.

    soak: its number, or a job's number for the job's latest; None: the last one.
    """
    if not path.exists():
        raise InputError(f"{path}: there is no journal: has a soak been run here?")
    journal = Journal(path)
    try:
        entry = _chosen(journal.soaks(), soak, path)
        rows, events = journal.read_rows(entry.id), tuple(journal.read_events(entry.id))
    finally:
        journal.close()
    bench = Bench.model_validate_json(entry.configuration)
    context = context_in(events)
    settings = context.applied(bench.settings())
    if rows is None:
        none = np.zeros(0)
        rows = Rows(none, none, none, np.zeros((0, entry.gates)), None, None)
    try:
        made = decide(rows, settings)
    except Exception as error:  # what the bench could not judge has a report all the same
        made = unjudged(entry.ended_t_s or 0.0, entry.gates, error)
    again = with_events(made.verdict, events)
    given = again if entry.verdict is None else entry.verdict.to_verdict()
    decision = replace(made, verdict=given)
    return Recalled(entry, bench, context, settings, events, rows, decision, again)


def _chosen(entries: list[SoakEntry], soak: int | str | None, path: Path) -> SoakEntry:
    if isinstance(soak, str):
        entries = [entry for entry in entries if entry.job == soak]
        if not entries:
            raise InputError(f"{path}: job {soak} has had no soak on this bench")
    elif soak is not None:
        entries = [entry for entry in entries if entry.id == soak]
        if not entries:
            raise InputError(f"{path}: there is no soak {soak}")
    if not entries:
        raise InputError(f"{path}: no soak has been run here yet")
    return entries[-1]
