"""The journal on its way to the database, step by step, and soaks sent again."""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from itertools import takewhile
from pathlib import Path
from typing import Any

from soakmon.errors import InputError
from soakmon.reach.catching_up import CatchUp
from soakmon.reach.health import Board
from soakmon.reach.influx import InfluxWriter, PointWriter, write_all
from soakmon.reach.points import Origin, Point, of_batch, of_event
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import InfluxSection
from soakmon.records.identity import bench_id
from soakmon.records.journal import Event
from soakmon.records.outbox import Outbox

log = logging.getLogger(__name__)
NAME = "influx"
_EVERY_S, _ASK_S = 5.0, 60.0
_BATCHES, _EVENTS = 100, 200


class InfluxOutlet:
    """Sends the journal to the database, step by step in a thread of its own."""

    name = NAME

    def __init__(
        self,
        bench: str,
        section: InfluxSection,
        journal: Path,
        board: Board,
        *,
        wall_s: Callable[[], float],
        writer: Callable[[InfluxSection], PointWriter] = InfluxWriter,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.section, self.board, self.wall_s = section, board, wall_s
        self.origin = origin_of(bench, section, journal)
        self.make_writer = writer
        self.writer: PointWriter | None = None
        self.outbox = Outbox(journal, NAME)
        self.now_s, self.asked_s = now_s, float("-inf")
        self.catch_up = CatchUp(section.catch_up, now_s)

    def open(self) -> None:
        """Make the connection."""
        self.writer = self.make_writer(self.section)

    def close(self) -> None:
        """Let go of the connection."""
        if self.writer is not None:
            self.writer.close()
            self.writer = None

    def step(self) -> float:
        """Send the next piece of the journal; rest unless there is more."""
        self._lag()
        waiting, events = self.outbox.batches(_BATCHES), self.outbox.events(_EVENTS)
        batches = waiting[: self.catch_up.allowed(waiting)]
        if len(batches) < len(waiting):  # what was said of readings goes out with them
            events = [*takewhile(lambda one: one.wall_s <= waiting[len(batches)].wall_s, events)]
        points = [point for batch in batches for point in of_batch(self.origin, batch)]
        for piece in _pieces(points, self.section.batch_points):
            self._write(piece)
        if batches:
            self.outbox.move(batch=batches[-1].id)
            self.catch_up.gone(batches)
        if not batches and not events:
            self._ask()
        points = []
        for event in events:
            points += self._points(event)
        for piece in _pieces(points, self.section.batch_points):
            self._write(piece)
        if events:
            self.outbox.move(event=events[-1].id)
        self._lag()
        return 0.0 if len(batches) == _BATCHES or len(events) == _EVENTS else _EVERY_S

    def _points(self, event: Event) -> list[Point]:
        """Points of an event; one that makes no sense is put aside and stops no other."""
        job = self.outbox.soak(event.soak)[1]
        try:
            return of_event(self.origin, job, event)
        except Exception as error:  # whatever is wrong with it
            reason = f"no points can be made of it: {type(error).__name__}"
            if self.outbox.park(self.wall_s(), reason, json.dumps(asdict(event))):
                log.warning("influx: event %s (%s): %s", event.id, event.kind, reason)
                self.board.parked(NAME)
            return []

    def _lag(self) -> None:
        waiting = self.outbox.batches_waiting() + self.outbox.events_waiting()
        self.board.lag(NAME, waiting, self.outbox.waiting_since_wall_s())

    def _ask(self) -> None:
        """An idle bench must know before a soak whether its database would take points."""
        now_s = self.now_s()
        if self.writer is not None and now_s - self.asked_s >= _ASK_S:
            self.writer.ask()
            self.asked_s = now_s

    def _write(self, points: list[Point]) -> None:
        if self.writer is not None:
            try:
                write_all(self.writer, points, self._park)
            except ReachError:
                self.catch_up.failed()
                raise
            self.board.up(NAME)  # a long way to catch up is no silence

    def _park(self, point: Point, reason: str) -> None:
        if self.outbox.park(self.wall_s(), reason, json.dumps(asdict(point))):
            log.warning("influx: a point of %s is put aside: %s", point.measurement, reason)
            self.board.parked(NAME)


def _pieces(points: list[Point], most: int) -> Iterator[list[Point]]:
    for start in range(0, len(points), most):
        yield points[start : start + most]


def origin_of(bench: str, section: InfluxSection, journal: Path) -> Origin:
    """Whose points are made of a journal."""
    return Origin(bench, bench_id(journal.parent), section.by_job)


def backfill(
    bench: str, section: InfluxSection, journal: Path, name: str, writer: PointWriter
) -> dict[str, Any]:
    """Send all of a soak, or of a job's soaks, again; how many points went out and were refused.

    Raises InputError when there is no such soak, ReachError when the database does not answer.
    """
    if not journal.exists():
        raise InputError(f"{journal}: there is no journal: has a soak been run here?")
    outbox, origin = Outbox(journal, "influx-backfill"), origin_of(bench, section, journal)
    refused: list[str] = []
    sent = 0
    try:
        soaks = outbox.soaks_of(name)
        if not soaks:
            raise InputError(f"{journal}: there is no soak or job {name}")
        for soak in soaks:
            points = [p for b in outbox.batches_of(soak) for p in of_batch(origin, b)]
            for event in outbox.events_of(soak):
                points += of_event(origin, outbox.soak(soak)[1], event)
            for piece in _pieces(points, section.batch_points):
                write_all(writer, piece, lambda _, reason: refused.append(reason))
            sent += len(points)
    finally:
        outbox.close()
    return {"soaks": soaks, "points": sent - len(refused), "refused": refused}
