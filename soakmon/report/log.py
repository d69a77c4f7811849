"""What happened in a soak of the bench, from its journal: phases, alarms, preflight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soakmon.records.events import (
    AlarmsSeen,
    CheckResult,
    FeedChange,
    PhaseChange,
    PreflightChecks,
    Resumption,
    all_of,
    contents,
)
from soakmon.records.journal import Event
from soakmon.report.clock import RunClock
from soakmon.texts import say
from soakmon.watch.figures import elapsed
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm


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
    for event, held in contents(events):
        time = clock.at(event.t_s)
        match held:
            case PhaseChange():
                lines.append(_phase(held, time))
            case Resumption():
                length = elapsed(held.gap_s) if held.known else say("log.unknown_length")
                lines.append(say("log.taken_up_after_gap", t_s=time, length=length))
            case FeedChange():
                lines.append(say("log.feed_open" if held.open else "log.feed_shut", time=time))
    return lines


def _phase(change: PhaseChange, time: str) -> str:
    key = f"log.phase_{change.phase}"
    if change.reason and change.phase in {Phase.ISOLATING, Phase.ENDED}:
        return say(f"{key}_why", time=time, reason=change.reason)
    return say(key, time=time)


def _alarms(events: Sequence[Event], clock: RunClock) -> list[str]:
    alarms: list[Alarm] = []
    seen: dict[int, float] = {}
    for event, held in contents(events):
        if isinstance(held, Alarm):
            alarms.append(held)
        elif isinstance(held, AlarmsSeen):
            seen |= {index: event.t_s for index in held.alarms if index not in seen}
    lines = []
    for index, alarm in enumerate(alarms):
        told = (
            say("log.acknowledged", index=clock.at(seen[index]))
            if index in seen
            else say("log.not_acknowledged")
        )
        lines.append(f"{clock.at(alarm.t_s)}: {alarm.text} – {told}")
    return lines


def _preflight(events: Sequence[Event]) -> list[str]:
    """The last preflight's checks."""
    preflights = all_of(PreflightChecks, events)
    return [_check(check) for check in preflights[-1].checks] if preflights else []


def _check(check: CheckResult) -> str:
    key = "log.good" if check.passed else "log.note" if check.warning else "log.failed"
    return say(key, name=check.name, text=check.text)
