"""Which of many benches need somebody: worst first, found by words, a page of them at a time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from soakmon.reach.rules import RUNNING

OLD_S = 120.0
MOST_SHOWN = 200
Which = Literal["all", "needs", "running"]


class BenchStanding(StrEnum):
    """How a bench stands, worst first.

    waiting: an alarm that nobody has acknowledged; silent: a soak that is not heard of; leaking:
    known to somebody; trouble: of cell or guard; away: offline without a soak.
    """

    WAITING = "waiting"
    SILENT = "silent"
    LEAKING = "leaking"
    TROUBLE = "trouble"
    NOT_PROVEN = "not_proven"
    RUNNING = "running"
    TIGHT = "tight"
    IDLE = "idle"
    AWAY = "away"


NEEDS = frozenset(
    {BenchStanding.WAITING, BenchStanding.SILENT, BenchStanding.LEAKING, BenchStanding.TROUBLE}
)
_RANK = {standing: rank for rank, standing in enumerate(BenchStanding)}


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants to see of the list: words that must all be there, which, which page."""

    words: str = ""
    which: Which = "all"
    first: int = 0
    most: int = 50


@dataclass(frozen=True, slots=True)
class Shown:
    """A page of the list; total: all benches, found: those that were asked for.

    standings: how many of all benches stand how.
    """

    benches: list[dict[str, Any]]
    total: int
    found: int
    standings: dict[str, int]


def standing(bench: Mapping[str, Any]) -> BenchStanding:
    """How a bench stands, by what its topics said (`fleet.Fleet.listed`)."""
    state, phase = bench.get("state", {}), bench.get("phase", {}).get("phase")
    verdict = bench.get("verdict", {})
    gone = bench.get("availability", {}).get("state", "online") != "online"
    if state.get("alarms_waiting"):
        return BenchStanding.WAITING
    if phase in RUNNING and (gone or state.get("age_s", OLD_S + 1) > OLD_S):
        return BenchStanding.SILENT
    if verdict.get("verdict") == "leaking":
        return BenchStanding.LEAKING
    if not gone and (state.get("cell_trouble") or state.get("guard_trouble")):
        return BenchStanding.TROUBLE
    if gone:
        return BenchStanding.AWAY
    if phase in RUNNING:
        return BenchStanding.RUNNING
    if verdict.get("final") and verdict.get("verdict") in {"not_proven", "tight"}:
        return BenchStanding(verdict["verdict"])
    return BenchStanding.IDLE


def shown(benches: Sequence[Mapping[str, Any]], asked: Asked) -> Shown:
    """The page of the list that was asked for, worst first; each bench with its `standing`."""
    stood = [{**bench, "standing": standing(bench)} for bench in benches]
    words = asked.words.casefold().split()
    wanted = [entry for entry in stood if _wanted(entry, asked.which) and _holds(entry, words)]
    wanted.sort(
        key=lambda entry: (
            _RANK[entry["standing"]],
            entry.get("shop", ""),
            entry["name"],
        )
    )
    counts = Counter(entry["standing"] for entry in stood)
    return Shown(
        wanted[asked.first : asked.first + asked.most],
        len(stood),
        len(wanted),
        {str(entry): counts[entry] for entry in BenchStanding if counts[entry]},
    )


def _wanted(bench: Mapping[str, Any], which: Which) -> bool:
    if which == "needs":
        return bench["standing"] in NEEDS
    return which == "all" or bench.get("phase", {}).get("phase") in RUNNING


def _holds(bench: Mapping[str, Any], words: Sequence[str]) -> bool:
    """Whether every word is in what is said of a bench."""
    parts = [bench["name"], bench.get("shop", ""), bench["standing"]]
    parts += [
        value
        for topic in ("availability", "phase", "verdict")
        for value in bench.get(topic, {}).values()
        if isinstance(value, str)
    ]
    state = bench.get("state", {})
    for alarm in [*state.get("waiting", ()), *state.get("acknowledged", ())]:
        parts += [alarm.get("text", ""), alarm.get("by", "")]
    text = "\n".join(parts).casefold()
    return all(word in text for word in words)
