"""All benches as a person reads them in the terminal, worst first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from soakmon.reach.fleet_order import NEEDS, Asked, Shown
from soakmon.watch.figures import elapsed


def show_fleet(place: str, page: Shown, asked: Asked, trouble: str = "") -> Group:
    """A page of the list; place: the broker."""
    standings = ", ".join(f"{count} {_spaced(name)}" for name, count in page.standings.items())
    to = asked.first + len(page.benches)
    shown = f"{asked.first + 1} to {to} of {page.found}" if page.benches else f"0 of {page.found}"
    head = Text(f"{place}: {page.total} benches: {standings or 'none'}; shown {shown}")
    table = Table(box=None, pad_edge=False)
    for name in ("bench", "stands", "what is said", "acknowledged by", "left", "heard"):
        table.add_column(name, overflow="fold")
    for bench in page.benches:
        bad = bench["standing"] in NEEDS
        table.add_row(*(Text(text, style="bold red" if bad else "") for text in _row(bench)))
    trouble_lines = (
        [Text(f"the broker does not answer: {trouble}", style="bold")] if trouble else []
    )
    return Group(head, *trouble_lines, table)


def _spaced(standing: str) -> str:
    return standing.replace("_", " ")


def _row(bench: Mapping[str, Any]) -> tuple[str, ...]:
    state = bench.get("state", {})
    name = f"{bench['shop']}/{bench['name']}" if "shop" in bench else bench["name"]
    waits = [alarm.get("text", "") for alarm in state.get("waiting", ())]
    verdict = bench.get("verdict", {})
    seen = [alarm.get("by") or "?" for alarm in state.get("acknowledged", ())]
    left_s = state.get("left_s")
    ages_s = [bench[topic]["age_s"] for topic in ("state", "availability") if topic in bench]
    return (
        name,
        _spaced(bench["standing"]),
        "; ".join(waits) or verdict.get("reason") or bench.get("phase", {}).get("phase", ""),
        ", ".join(dict.fromkeys(seen)),
        "" if left_s is None else elapsed(left_s),
        f"{_age(min(ages_s))} ago" if ages_s else "",
    )


def _age(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else elapsed(seconds)
