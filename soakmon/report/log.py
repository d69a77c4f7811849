"""What happened in a soak of the bench, from its journal: phases, alarms, preflight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soakmon.records.journal import Event
from soakmon.report.clock import Clock
from soakmon.watch.figures import elapsed


@dataclass(frozen=True, slots=True)
class Log:
    """Lines for the report, in order."""

    phases: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()
    preflight: tuple[str, ...] = ()


def log_of(events: Sequence[Event], clock: Clock) -> Log:
    """The log of a soak's events, by the shop's clock."""
    phases, alarms = _phases(events, clock), _alarms(events, clock)
    return Log(tuple(phases), tuple(alarms), tuple(_preflight(events)))


def _phases(events: Sequence[Event], clock: Clock) -> list[str]:
    lines = []
    for event in events:
        if event.kind == "phase":
            reason = event.data.get("reason", "")
            told = (
                f" ({reason})" if reason and event.data["phase"] in {"isolating", "ended"} else ""
            )
            lines.append(f"{clock.at(event.t_s)}: {event.data['phase']}{told}")
        elif event.kind == "resumed":
            gap_s = event.data["gap_s"]
            length = elapsed(gap_s) if event.data["known"] else "unknown length"
            lines.append(f"{clock.at(event.t_s)}: taken up after a gap of {length}")
        elif event.kind == "feed":
            lines.append(f"{clock.at(event.t_s)}: feed {'open' if event.data['open'] else 'shut'}")
    return lines


def _alarms(events: Sequence[Event], clock: Clock) -> list[str]:
    alarms = [event for event in events if event.kind == "alarm"]
    seen: dict[int, float] = {}
    for event in events:
        if event.kind == "ack":
            seen |= {index: event.t_s for index in event.data["alarms"] if index not in seen}
    lines = []
    for index, alarm in enumerate(alarms):
        told = f"acknowledged at {clock.at(seen[index])}" if index in seen else "not acknowledged"
        lines.append(f"{clock.at(alarm.t_s)}: {alarm.data['text']} – {told}")
    return lines


def _preflight(events: Sequence[Event]) -> list[str]:
    """The last preflight's checks."""
    found = [event for event in events if event.kind == "preflight"]
    checks = found[-1].data["checks"] if found else []
    return [
        f"{'good' if check['passed'] else 'note' if check['warning'] else 'FAILED'}: "
        f"{check['name']}: {check['text']}"
        for check in checks
    ]
