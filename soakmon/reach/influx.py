"""Points to an InfluxDB 2 database: the only module that knows its client.

Points go out in the order of the journal. What the server cannot take now (no answer, 5xx, too many
requests, no permission) is tried again; what it refuses for good is split down to the one bad
point, which is put aside in the journal.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point as Record
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from soakmon.errors import InputError
from soakmon.reach import points as made
from soakmon.reach.health import Board
from soakmon.reach.points import Point
from soakmon.reach.secrets import read_secret, redact
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import InfluxSection
from soakmon.records.outbox import Outbox

if TYPE_CHECKING:
    from collections.abc import Callable

log = logging.getLogger(__name__)
NAME = "influx"
# Not the points' fault: the server cannot take them now, or the configuration must be mended.
_AGAIN = {401, 403, 404, 408, 429}
_EVERY_S = 5.0
_BATCHES, _EVENTS = 100, 200
_REASON_CHARS = 300
_LONGEST_WAIT_S = 900.0


class RefusedError(Exception):
    """The server refuses these points for good."""


class Writer(Protocol):
    """Writes points; raises ReachError when later may be better, RefusedError when not."""

    def write(self, points: list[Point]) -> None:
        """Write all of them."""

    def close(self) -> None:
        """Let go of the connection."""


class InfluxWriter:
    """Writes to a server, waiting for its answer."""

    def __init__(self, section: InfluxSection) -> None:
        self.section = section
        self.token = read_secret(section.token_file, "SOAKMON_INFLUX_TOKEN", "influx.token_file")
        if not self.token:
            raise InputError(
                "influx: no token: write it to a file and name that as influx.token_file"
            )
        self.client = InfluxDBClient(
            url=section.url,
            token=self.token,
            org=section.org,
            timeout=round(1e3 * section.timeout_s),
            retries=urllib3.Retry(0, redirect=0),
        )
        self.api = self.client.write_api(write_options=SYNCHRONOUS)

    def write(self, points: list[Point]) -> None:
        """Write all of them in one request."""
        records = [_record(point) for point in points]
        try:
            self.api.write(self.section.bucket, self.section.org, records)
        except ApiException as error:
            self._answered(error)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise ReachError(f"the database does not answer: {self._told(error)}") from None

    def _answered(self, error: ApiException) -> None:
        status = int(error.status or 0)
        text = f"the database answers {status}: {self._told(error.message or error.reason)}"
        if 400 <= status < 500 and status not in _AGAIN:
            raise RefusedError(text) from None
        raise ReachError(text, _wanted_s(error.retry_after)) from None

    def _told(self, error: object) -> str:
        return redact(" ".join(str(error).split())[:_REASON_CHARS], [self.token])

    def close(self) -> None:
        """Let go of the connection."""
        self.api.close()
        self.client.close()


def _wanted_s(retry_after: str | None) -> float | None:
    """How long the server asks us to wait, s; None when it does not, or nobody can read it."""
    if not retry_after:
        return None
    try:
        wanted_s = urllib3.Retry().parse_retry_after(retry_after)
    except (urllib3.exceptions.InvalidHeader, ValueError, OverflowError):
        return None
    return min(float(wanted_s), _LONGEST_WAIT_S)


def _record(point: Point) -> Record:
    record = Record(point.measurement)
    for name, tag in point.tags.items():
        record.tag(name, tag)
    for name, value in point.fields.items():
        record.field(name, value)
    record.time(point.time_ns, WritePrecision.NS)
    return record


def write_all(writer: Writer, points: list[Point], park: Callable[[Point, str], None]) -> None:
    """Write points in order, splitting what is refused until only the bad ones are left over."""
    if not points:
        return
    try:
        writer.write(points)
    except RefusedError as refusal:
        if len(points) == 1:
            park(points[0], str(refusal))
            return
        middle = len(points) // 2
        write_all(writer, points[:middle], park)
        write_all(writer, points[middle:], park)


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
        writer: Callable[[InfluxSection], Writer] = InfluxWriter,
    ) -> None:
        self.bench, self.section, self.board, self.wall_s = bench, section, board, wall_s
        self.make_writer = writer
        self.writer: Writer | None = None
        self.outbox = Outbox(journal, NAME)

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
        batches = self.outbox.batches(_BATCHES)
        events = self.outbox.events(_EVENTS)
        points = [point for batch in batches for point in made.of_batch(self.bench, batch)]
        for piece in _pieces(points, self.section.batch_points):
            self._write(piece)
        if batches:
            self.outbox.move(batch=batches[-1].id)
        points = []
        for event in events:
            points += made.of_event(self.bench, self.outbox.soak(event.soak)[1], event)
        for piece in _pieces(points, self.section.batch_points):
            self._write(piece)
        if events:
            self.outbox.move(event=events[-1].id)
        self._lag()
        return 0.0 if len(batches) == _BATCHES or len(events) == _EVENTS else _EVERY_S

    def _lag(self) -> None:
        waiting = self.outbox.batches_waiting() + self.outbox.events_waiting()
        self.board.lag(NAME, waiting, self.outbox.waiting_since_wall_s())

    def _write(self, points: list[Point]) -> None:
        if self.writer is not None:
            write_all(self.writer, points, self._park)

    def _park(self, point: Point, reason: str) -> None:
        if self.outbox.park(self.wall_s(), reason, json.dumps(asdict(point))):
            log.warning("influx: a point of %s is put aside: %s", point.measurement, reason)
            self.board.parked(NAME)


def _pieces(points: list[Point], most: int) -> Iterator[list[Point]]:
    for start in range(0, len(points), most):
        yield points[start : start + most]


def backfill(
    bench: str, section: InfluxSection, journal: Path, name: str, writer: Writer
) -> dict[str, Any]:
    """Send all of a soak, or of a job's soaks, again; how many points went out and were refused.

    Raises InputError when there is no such soak, ReachError when the database does not answer.
    """
    if not journal.exists():
        raise InputError(f"{journal}: there is no journal: has a soak been run here?")
    outbox = Outbox(journal, "influx-backfill")
    refused: list[str] = []
    sent = 0
    try:
        soaks = outbox.soaks_of(name)
        if not soaks:
            raise InputError(f"{journal}: there is no soak or job {name}")
        for soak in soaks:
            points = [p for b in outbox.batches_of(soak) for p in made.of_batch(bench, b)]
            for event in outbox.events_of(soak):
                points += made.of_event(bench, outbox.soak(soak)[1], event)
            for piece in _pieces(points, section.batch_points):
                write_all(writer, piece, lambda _, reason: refused.append(reason))
            sent += len(points)
    finally:
        outbox.close()
    return {"soaks": soaks, "points": sent - len(refused), "refused": refused}
