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


def _headline(status: BenchStatus) -> tuple[str, str]:
    """What is known of the rack, and why.

    Unproven is a verdict of the end: while a soak runs, hours are missing and nothing else yet.
    """
    verdict = status.verdict
    if verdict is None:
        return (
            "no soak running" if status.phase == "idle" else "no verdict yet"
        ), status.reason or ""
    if status.phase != "ended" and verdict.verdict == "not_proven":
        return "NO LEAK SEEN so far", "tight is not proven yet: a result takes several hours"
    head = verdict.verdict.replace("_", " ").upper()
    return (head if status.phase == "ended" else f"{head} so far"), verdict.reason


def _lines(status: BenchStatus) -> list[tuple[str, str]]:
    return [*_readings(status), *_soak(status), *_troubles(status)]


def _readings(status: BenchStatus) -> Iterator[tuple[str, str]]:
    if status.mass_g is not None:
        yield "Bottle", f"{status.mass_g:.2f} g"
    if status.air_c is not None:
        yield "Shop", f"{status.air_c:.1f} °C"
    if status.feed_open is not None:
        yield "Feed", "open" if status.feed_open else "shut"


def _soak(status: BenchStatus) -> Iterator[tuple[str, str]]:
    if status.soak is not None:
        left = "" if status.phase == "ended" else f", {elapsed(status.left_s)} left"
        yield "Soaked", f"{elapsed(status.soaked_s)}{left}"
        counted = enumerate(status.drops, start=1)
        drops = ", ".join(f"carb {i}: {'?' if i in status.blind_gates else n}" for i, n in counted)
        yield "Drops", drops or "no gates"
    if status.dry_at_wall_s:
        dry = datetime.fromtimestamp(status.dry_at_wall_s).astimezone()
        yield "Bottle", f"runs dry at {dry:%H:%M %Z}"


def _troubles(status: BenchStatus) -> Iterator[tuple[str, str]]:
    if status.age_s > _OLD_S:
        yield "Trouble", f"all this is {status.age_s:.0f} s old"
    for gap in status.interruptions:
        length = elapsed(gap.gap_s) if gap.known else "nobody knows how long"
        yield "Interrupted", f"until {clock_of(status).at(gap.t_s)}, for {length}"
    if not status.feed_open:
        yield from (("Stays shut", reason) for reason in status.latch)
    yield from (("Trouble", f"{ail.text}; {ail.todo}") for ail in status.ails)
    if status.untold and status.phase not in {"idle", "ended"}:
        yield "Nobody told", f"of an alarm: phone {status.untold}"
    troubles = (status.cell_trouble, status.journal_trouble, status.guard_trouble)
    yield from (("Trouble", text) for text in troubles if text)
    # That nobody is told is said above, as it is now.
    named = {say("preflight.phone")} if status.untold else set()
    failed = (check for check in status.checks if not check.passed and check.name not in named)
    yield from (("Preflight", f"{check.name}: {check.text}") for check in failed)
