"""Points to an InfluxDB 2 database: the only module that knows its client.

Points go out in the order of the journal. What the server cannot take now (no answer, 5xx, too many
requests, no permission) is tried again; what it refuses for good is split down to the one bad
point, which is put aside in the journal.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point as Record
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from soakmon.errors import InputError
from soakmon.reach.points import Point
from soakmon.reach.secrets import read_secret, redact
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import InfluxSection

if TYPE_CHECKING:
    from collections.abc import Callable

# Not the points' fault: the server cannot take them now, or the configuration must be mended.
_AGAIN = {401, 403, 404, 408, 429}
_REASON_CHARS = 300
_COMMENT = b"# soakmon asks"
_LONGEST_WAIT_S = 900.0


class RejectedError(Exception):
    """The server refuses these points for good."""


class PointWriter(Protocol):
    """Writes points; raises ReachError when later may be better, RejectedError when not."""

    def write(self, points: list[Point]) -> None:
        """Write all of them."""

    def ask(self) -> None:
        """Ask whether the server would take points; raises ReachError when it would not."""

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
        self._write([_record(point) for point in points])

    def _write(self, records: list[Record] | bytes) -> None:
        try:
            self.api.write(self.section.bucket, self.section.org, records)
        except ApiException as error:
            self._answered(error)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise ReachError(f"the database does not answer: {plain_cause(error)}") from None

    def ask(self) -> None:
        """Ask whether the server would take points; raises ReachError when it would not.

        A comment is written: that needs the right to write points, and makes none. InfluxDB
        answers 400 to a request without points (from memory), and 401 or 404 before it looks.
        """
        with suppress(RejectedError):
            self._write(_COMMENT)

    def _answered(self, error: ApiException) -> None:
        status = int(error.status or 0)
        text = f"the database answers {status}: {self._redacted(error.message or error.reason)}"
        if 400 <= status < 500 and status not in _AGAIN:
            raise RejectedError(text) from None
        raise ReachError(text, _wanted_s(error.retry_after)) from None

    def _redacted(self, error: object) -> str:
        return redact(" ".join(str(error).split())[:_REASON_CHARS], [self.token])

    def close(self) -> None:
        """Let go of the connection."""
        self.api.close()
        self.client.close()


def plain_cause(error: BaseException) -> str:
    """The cause in words, without the library's names, nor an address."""
    cause: BaseException | None = getattr(error, "reason", None)
    cause = cause if isinstance(cause, BaseException) else error
    late = isinstance(cause, urllib3.exceptions.TimeoutError)
    while cause is not None:
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__ or cause.__context__
    return "nothing came in time" if late else type(error).__name__


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


def write_all(writer: PointWriter, points: list[Point], park: Callable[[Point, str], None]) -> None:
    """Write points in order, splitting what is refused until only the bad ones are left over."""
    if not points:
        return
    try:
        writer.write(points)
    except RejectedError as refusal:
        if len(points) == 1:
            park(points[0], str(refusal))
            return
        middle = len(points) // 2
        write_all(writer, points[:middle], park)
        write_all(writer, points[middle:], park)
