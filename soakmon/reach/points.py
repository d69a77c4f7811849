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
    found: dict[str, Value] = {}
    for name, value in values.items():
        if isinstance(value, bool | int | float | np.number):
            number = float(value)
            if math.isfinite(number):
                found[name] = number
        elif value is not None and str(value):
            found[name] = str(value)
    return found


def tags(bench: str, job: str | None, carb: int | None = None) -> dict[str, str]:
    """bench, job and carb; those that are empty are left out."""
    found = {"bench": bench, "job": job or "", "carb": "" if carb is None else str(carb)}
    return {name: value for name, value in found.items() if value}


def _ns(wall_s: float) -> int:
    return round(wall_s * 1e3) * 1_000_000


def _mean(values: np.ndarray[Any, Any] | None) -> float:
    if values is None or not np.isfinite(values).any():
        return math.nan
    return float(np.nanmean(values))


def of_batch(bench: str, batch: Batch) -> list[Point]:
    """Means of a batch's readings, and its drops per carb; at the time of its last row."""
    rows = batch.rows
    own = fields(
        soak=batch.soak,
        t_s=rows.t_s[-1],
        mass_g=_mean(rows.mass_g),
        air_c=_mean(rows.air_c),
        fuel_c=_mean(rows.fuel_c),
        feed_open=_mean(rows.feed_open),
    )
    time_ns = _ns(batch.wall_s)
    points = [Point("soak_readings", tags(bench, batch.job), own, time_ns, batch.id)]
    for gate in range(rows.gates):
        counts = rows.drops[:, gate]
        if np.isfinite(counts).any():
            drops = fields(soak=batch.soak, drops=np.nansum(counts))
            points.append(
                Point("soak_drops", tags(bench, batch.job, gate + 1), drops, time_ns, batch.id)
            )
    return points


def of_event(bench: str, job: str | None, event: Event) -> list[Point]:
    """Points of an event: estimate, phase, alarm, acknowledgement, fault or verdict."""
    found = content(event)
    if isinstance(found, Estimate | PhaseChange | VerdictForm):
        name, values = _of_state(found)
        time_ns, carb = _ns(event.wall_s), None
    elif isinstance(found, Alarm | AlarmsSeen | Fault):
        name, values = _of_moment(found)
        # Those of one moment are told apart by a nanosecond.
        time_ns = _ns(event.wall_s) + event.id % 1000
        carb = found.carb if isinstance(found, Alarm) else None
    else:
        return []
    common = fields(soak=event.soak, t_s=event.t_s)
    return [Point(f"soak_{name}", tags(bench, job, carb), common | values, time_ns, event.id)]


def _of_state(found: Estimate | PhaseChange | VerdictForm) -> tuple[str, dict[str, Value]]:
    """What is so from then on, of which there is one at a time."""
    if isinstance(found, PhaseChange):
        return "phase", fields(phase=found.phase, reason=found.reason)
    if isinstance(found, Estimate):
        return "estimate", fields(
            observed_loss_g=found.observed_loss_g,
            loss_g_per_h=found.loss_g_per_h,
            **_band("expected_evaporation_g", found.expected_evaporation_g),
            **_band("expected_g_per_h", found.expected_g_per_h),
            **_band("leak_g_per_h", found.leak_g_per_h),
        )
    return "verdict", fields(
        verdict=found.verdict,
        reason=found.reason,
        observed_loss_g=found.observed_loss_g,
        **_band("leak_g_per_h", found.leak_g_per_h),
        smallest_provable_leak_g_per_h=found.smallest_provable_leak_g_per_h,
    )


def _of_moment(found: Alarm | AlarmsSeen | Fault) -> tuple[str, dict[str, Value]]:
    if isinstance(found, AlarmsSeen):
        return "ack", fields(kind="ack", text=f"{len(found.alarms)} alarms acknowledged")
    if isinstance(found, Fault):
        return "fault", fields(kind=found.kind, text=found.text)
    return "alarm", fields(kind=found.kind, leak_g_per_h=found.leak_g_per_h, text=found.text)


def _band(name: str, band: BandForm) -> dict[str, float | None]:
    return {f"{name}_{edge}": getattr(band, edge) for edge in ("best", "low", "high")}
