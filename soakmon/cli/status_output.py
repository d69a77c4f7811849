"""The bench's status as a person reads it in the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rich.console import Group
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from soakmon.bench.bench_status import BenchStatus
from soakmon.report.clock import RunClock
from soakmon.texts import say
from soakmon.watch.figures import elapsed

_OLD_S = 10.0


def clock_of(status: BenchStatus) -> RunClock:
    """The shop's clock of what runs now."""
    if status.wall_s is None:
        return RunClock()
    began = datetime.fromtimestamp(status.wall_s - status.t_s).astimezone()
    return RunClock(began, began.tzname() or "")


def show_status(status: BenchStatus) -> Group:
    """The status as a person reads it: verdict so far, alarms, what the bench does."""
    clock = clock_of(status)
    head, told = _headline(status)
    told = clock.with_hours(told)
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for name, text in _lines(status):
        table.add_row(name, text)
    alarms = [
        Text(
            f"{'  ' if alarm.acknowledged else '! '}{clock.at(alarm.t_s)}  {alarm.text}"
            + (f" (acknowledged by {alarm.acknowledged_by})" if alarm.acknowledged_by else "")
        )
        for alarm in status.alarms
    ]
    title = f"{status.bench}: {status.phase}"
    # A panel takes its title for markup, whatever the terminal does.
    panel = Panel(Text(f"{head}\n{told}".strip()), title=Text(title), expand=False)
    return Group(panel, table, *alarms)


def _headline(found: BenchStatus) -> tuple[str, str]:
    """What is known of the rack, and why.

    Unproven is a verdict of the end: while a soak runs, hours are missing and nothing else yet.
    """
    verdict = found.verdict
    if verdict is None:
        return (
            "no soak running" if found.phase == "idle" else "no verdict yet"
        ), found.reason or ""
    if found.phase != "ended" and verdict.verdict == "not_proven":
        return "NO LEAK SEEN so far", "tight is not proven yet: a result takes several hours"
    head = verdict.verdict.replace("_", " ").upper()
    return (head if found.phase == "ended" else f"{head} so far"), verdict.reason


def _lines(found: BenchStatus) -> list[tuple[str, str]]:
    return [*_readings(found), *_soak(found), *_troubles(found)]


def _readings(found: BenchStatus) -> Iterator[tuple[str, str]]:
    if found.mass_g is not None:
        yield "Bottle", f"{found.mass_g:.2f} g"
    if found.air_c is not None:
        yield "Shop", f"{found.air_c:.1f} °C"
    if found.feed_open is not None:
        yield "Feed", "open" if found.feed_open else "shut"


def _soak(found: BenchStatus) -> Iterator[tuple[str, str]]:
    if found.soak is not None:
        left = "" if found.phase == "ended" else f", {elapsed(found.left_s)} left"
        yield "Soaked", f"{elapsed(found.soaked_s)}{left}"
        counted = enumerate(found.drops, start=1)
        drops = ", ".join(f"carb {i}: {'?' if i in found.blind_gates else n}" for i, n in counted)
        yield "Drops", drops or "no gates"
    if found.dry_at_wall_s:
        dry = datetime.fromtimestamp(found.dry_at_wall_s).astimezone()
        yield "Bottle", f"runs dry at {dry:%H:%M %Z}"


def _troubles(found: BenchStatus) -> Iterator[tuple[str, str]]:
    if found.age_s > _OLD_S:
        yield "Trouble", f"all this is {found.age_s:.0f} s old"
    for gap in found.interruptions:
        length = elapsed(gap.gap_s) if gap.known else "nobody knows how long"
        yield "Interrupted", f"until {clock_of(found).at(gap.t_s)}, for {length}"
    if not found.feed_open:
        yield from (("Stays shut", reason) for reason in found.latch)
    yield from (("Trouble", f"{ail.text}; {ail.todo}") for ail in found.ails)
    if found.untold and found.phase not in {"idle", "ended"}:
        yield "Nobody told", f"of an alarm: phone {found.untold}"
    troubles = (found.cell_trouble, found.journal_trouble, found.guard_trouble)
    yield from (("Trouble", text) for text in troubles if text)
    # That nobody is told is said above, as it is now.
    named = {say("preflight.phone")} if found.untold else set()
    failed = (check for check in found.checks if not check.passed and check.name not in named)
    yield from (("Preflight", f"{check.name}: {check.text}") for check in failed)
