"""The bench's status as a person reads it in the terminal."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from rich.console import Group
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from soakmon.report.clock import RunClock
from soakmon.watch.figures import elapsed

_OLD_S = 10.0


def clock_of(found: dict[str, Any]) -> RunClock:
    """The shop's clock of what runs now."""
    if "wall_s" not in found:
        return RunClock()
    began = datetime.fromtimestamp(found["wall_s"] - found["t_s"]).astimezone()
    return RunClock(began, began.tzname() or "")


def show_status(found: dict[str, Any]) -> Group:
    """The status as a person reads it: verdict so far, alarms, what the bench does."""
    verdict = found.get("verdict")
    head = verdict["verdict"].replace("_", " ").upper() if verdict else "no verdict yet"
    head += " so far" if verdict and found["phase"] != "ended" else ""
    clock = clock_of(found)
    told = clock.said(verdict["reason"] if verdict else found.get("reason", ""))
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for name, text in _lines(found):
        table.add_row(name, text)
    alarms = [
        Text(f"{'  ' if a['acknowledged'] else '! '}{clock.at(a['t_s'])}  {a['text']}")
        for a in found.get("alarms", [])
    ]
    title = f"{found.get('bench', 'bench')}: {found['phase']}"
    # A panel takes its title for markup, whatever the terminal does.
    panel = Panel(Text(f"{head}\n{told}"), title=Text(title), expand=False)
    return Group(panel, table, *alarms)


def _lines(found: dict[str, Any]) -> list[tuple[str, str]]:
    lines = []
    if found.get("mass_g") is not None:
        lines.append(("Bottle", f"{found['mass_g']:.2f} g"))
    if found.get("air_c") is not None:
        lines.append(("Shop", f"{found['air_c']:.1f} °C"))
    if "feed_open" in found:
        lines.append(("Feed", "open" if found["feed_open"] else "shut"))
    if "soak" in found:
        lines.append(("Soaked", f"{elapsed(found['soaked_s'])}, {elapsed(found['left_s'])} left"))
        blind = set(found.get("blind_gates", []))
        counted = enumerate(found["drops"], start=1)
        drops = ", ".join(f"carb {i}: {'?' if i in blind else n}" for i, n in counted)
        lines.append(("Drops", drops or "no gates"))
    if found.get("dry_at_wall_s"):
        dry = datetime.fromtimestamp(found["dry_at_wall_s"]).astimezone()
        lines.append(("Bottle", f"runs dry at {dry:%H:%M %Z}"))
    if found.get("age_s", 0.0) > _OLD_S:
        lines.append(("Trouble", f"all this is {found['age_s']:.0f} s old"))
    lines += [
        (
            "Interrupted",
            f"until {clock_of(found).at(one['t_s'])}, for "
            + (elapsed(one["gap_s"]) if one["known"] else "nobody knows how long"),
        )
        for one in found.get("interruptions", [])
    ]
    if not found.get("feed_open"):
        lines += [("Shut for", reason) for reason in found.get("latch", [])]
    lines += [("Trouble", f"{ail['text']}; {ail['todo']}") for ail in found.get("ails", [])]
    if found.get("untold") and found["phase"] not in {"idle", "ended"}:
        lines.append(("Nobody told", f"of an alarm: phone {found['untold']}"))
    lines += [
        ("Trouble", found[key])
        for key in ("cell_trouble", "journal_trouble", "guard_trouble")
        if found.get(key)
    ]
    lines += [
        ("Preflight", f"{c['name']}: {c['text']}")
        for c in found.get("checks", [])
        if not c["passed"]
    ]
    return lines
