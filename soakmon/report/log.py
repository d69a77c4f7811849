"""What happened in a soak of the bench, from its journal: phases, alarms, preflight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from soakmon.records.journal import Event
from soakmon.report.clock import RunClock
from soakmon.texts import say
from soakmon.watch.figures import elapsed


@dataclass(frozen=True, slots=True)
class Log:
    """Lines for the report, in order."""

    phases: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()
    preflight: tuple[str, ...] = ()


def log_of(events: Sequence[Event], clock: RunClock) -> Log:
    """The log of a soak's events, by the shop's clock."""
    phases, alarms = _phases(events, clock), _alarms(events, clock)
    return Log(tuple(phases), tuple(alarms), tuple(_preflight(events)))


def _phases(events: Sequence[Event], clock: RunClock) -> list[str]:
    lines = []
    for event in events:
        if event.kind == "phase":
            lines.append(_phase(event, clock))
        elif event.kind == "resumed":
            gap_s = event.data["gap_s"]
            length = elapsed(gap_s) if event.data["known"] else say("log.unknown_length")
            lines.append(say("log.taken_up_after_gap", t_s=clock.at(event.t_s), length=length))
        elif event.kind == "feed":
            key = "log.feed_open" if event.data["open"] else "log.feed_shut"
            lines.append(say(key, time=clock.at(event.t_s)))
    return lines


def _phase(event: Event, clock: RunClock) -> str:
    key, reason = f"log.phase_{event.data['phase']}", event.data.get("reason", "")
    if reason and event.data["phase"] in {"isolating", "ended"}:
        return say(f"{key}_why", time=clock.at(event.t_s), reason=reason)
    return say(key, time=clock.at(event.t_s))


def _alarms(events: Sequence[Event], clock: RunClock) -> list[str]:
    alarms = [event for event in events if event.kind == "alarm"]
    seen: dict[int, float] = {}
    for event in events:
        if event.kind == "ack":
            seen |= {index: event.t_s for index in event.data["alarms"] if index not in seen}
    lines = []
    for index, alarm in enumerate(alarms):
        told = (
            say("log.acknowledged", index=clock.at(seen[index]))
            if index in seen
            else say("log.not_acknowledged")
        )
        lines.append(f"{clock.at(alarm.t_s)}: {alarm.data['text']} – {told}")
    return lines


def _preflight(events: Sequence[Event]) -> list[str]:
    """The last preflight's checks."""
    found = [event for event in events if event.kind == "preflight"]
    checks = found[-1].data["checks"] if found else []
    return [_check(check) for check in checks]


def _check(check: Mapping[str, Any]) -> str:
    key = "log.good" if check["passed"] else "log.note" if check["warning"] else "log.failed"
    return say(key, name=check["name"], text=check["text"])
