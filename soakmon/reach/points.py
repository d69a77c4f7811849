"""The journal as points of a time series: measurement, tags, fields and a time in ns.

The same journal entry always gives the same points with the same times: sending it again
overwrites. Numbers are made floats in `fields`, and only there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from soakmon.records.events import AlarmsSeen, Estimate, PhaseChange, content
from soakmon.records.journal import Event
from soakmon.records.outbox import Batch
from soakmon.records.verdict_form import BandForm, VerdictForm
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm, Fault

Value = float | str


@dataclass(frozen=True, slots=True)
class Point:
    """A point; entry is the number of the batch or event it was made of."""

    measurement: str
    tags: dict[str, str]
    fields: dict[str, Value]
    time_ns: int
    entry: int


def fields(**values: Any) -> dict[str, Value]:
    """Fields of one type for ever: numbers and truth values as floats, the rest as text.

    What is missing is left out.
    """
    given: dict[str, Value] = {}
    for name, value in values.items():
        if isinstance(value, bool | int | float | np.number):
            number = float(value)
            if math.isfinite(number):
                given[name] = number
        elif value is not None and str(value):
            given[name] = str(value)
    return given


@dataclass(frozen=True, slots=True)
class Origin:
    """Whose points they are. by_job: as earlier versions made them, with the job as a tag."""

    bench: str
    bench_id: str = ""
    by_job: bool = False

    def tags(self, job: str | None, carb: int | None = None) -> dict[str, str]:
        """bench and carb, and the job where that is asked for; those that are empty are left out.

        Each job that is a tag is a set of new series, and a database is as large as its series.
        """
        tags_of = {"bench": self.bench, "carb": "" if carb is None else str(carb)}
        return _given(tags_of | ({"job": job or ""} if self.by_job else {}))

    def place(self, soak: int | None, t_s: float) -> dict[str, Value]:
        """Where in which soak it was, s: with by_job alone, else `soak_info` tells the soak."""
        return fields(soak=soak, t_s=t_s) if self.by_job else {}


def _given(tags: dict[str, str]) -> dict[str, str]:
    return {name: value for name, value in tags.items() if value}


def _ns(wall_s: float) -> int:
    return round(wall_s * 1e3) * 1_000_000


def _mean(values: np.ndarray[Any, Any] | None) -> float:
    if values is None or not np.isfinite(values).any():
        return math.nan
    return float(np.nanmean(values))


def of_batch(origin: Origin, batch: Batch) -> list[Point]:
    """Means of a batch's readings, and its drops per carb; at the time of its last row."""
    rows = batch.rows
    own = origin.place(batch.soak, rows.t_s[-1]) | fields(
        mass_g=_mean(rows.mass_g),
        air_c=_mean(rows.air_c),
        fuel_c=_mean(rows.fuel_c),
        feed_open=_mean(rows.feed_open),
    )
    time_ns = _ns(batch.wall_s)
    points = [Point("soak_readings", origin.tags(batch.job), own, time_ns, batch.id)]
    for gate in range(rows.gates):
        counts = rows.drops[:, gate]
        if np.isfinite(counts).any():
            drops = fields(soak=batch.soak if origin.by_job else None, drops=np.nansum(counts))
            own_tags = origin.tags(batch.job, gate + 1)
            points.append(Point("soak_drops", own_tags, drops, time_ns, batch.id))
    return [point for point in points if point.fields]


def of_event(origin: Origin, job: str | None, event: Event) -> list[Point]:
    """Points of an event: estimate, phase, alarm, acknowledgement, fault or verdict; and which
    soak of which job that is, where it begins, changes or goes on.
    """
    parsed = content(event)
    if isinstance(parsed, Estimate | PhaseChange | VerdictForm):
        name, values = _of_state(parsed)
        time_ns, carb = _ns(event.wall_s), None
    elif isinstance(parsed, Alarm | AlarmsSeen | Fault):
        name, values = _of_moment(parsed)
        # Those of one moment are told apart by a nanosecond.
        time_ns = _ns(event.wall_s) + event.id % 1000
        carb = parsed.carb if isinstance(parsed, Alarm) else None
    else:
        return []
    own = origin.place(event.soak, event.t_s) | values
    points = [Point(f"soak_{name}", origin.tags(job, carb), own, time_ns, event.id)]
    if isinstance(parsed, Estimate | PhaseChange) and event.soak and not origin.by_job:
        runs = not (isinstance(parsed, PhaseChange) and parsed.phase is Phase.ENDED)
        points.append(_info(origin, job, event, runs=runs))
    return [point for point in points if point.fields]


def _info(origin: Origin, job: str | None, event: Event, *, runs: bool) -> Point:
    """Which soak of which job a bench has: one series a soak, to be joined to its others."""
    tags = {"bench": origin.bench, "bench_id": origin.bench_id, "job": job or ""}
    own = _given(tags | {"soak": str(event.soak)})
    # What ends comes a millisecond later: a server that removes doubles keeps one value of a time,
    # and an estimate of the same moment says that it still runs.
    time_ns = _ns(event.wall_s) + (0 if runs else 1_000_000)
    return Point("soak_info", own, fields(running=runs), time_ns, event.id)


def _of_state(content: Estimate | PhaseChange | VerdictForm) -> tuple[str, dict[str, Value]]:
    """What is so from then on, of which there is one at a time."""
    if isinstance(content, PhaseChange):
        return "phase", fields(phase=content.phase, reason=content.reason)
    if isinstance(content, Estimate):
        return "estimate", fields(
            observed_loss_g=content.observed_loss_g,
            loss_g_per_h=content.loss_g_per_h,
            **_band("expected_evaporation_g", content.expected_evaporation_g),
            **_band("expected_g_per_h", content.expected_g_per_h),
            **_band("leak_g_per_h", content.leak_g_per_h),
        )
    return "verdict", fields(
        verdict=content.verdict,
        reason=content.reason,
        observed_loss_g=content.observed_loss_g,
        **_band("leak_g_per_h", content.leak_g_per_h),
        smallest_provable_leak_g_per_h=content.smallest_provable_leak_g_per_h,
    )


def _of_moment(content: Alarm | AlarmsSeen | Fault) -> tuple[str, dict[str, Value]]:
    if isinstance(content, AlarmsSeen):
        return "ack", fields(kind="ack", text=f"{len(content.alarms)} alarms acknowledged")
    if isinstance(content, Fault):
        return "fault", fields(kind=content.kind, text=content.text)
    return "alarm", fields(kind=content.kind, leak_g_per_h=content.leak_g_per_h, text=content.text)


def _band(name: str, band: BandForm) -> dict[str, float | None]:
    return {f"{name}_{edge}": getattr(band, edge) for edge in ("best", "low", "high")}
