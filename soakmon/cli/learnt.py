"""The command soakmon learnt."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from soakmon.cli.options import DATA, SYSTEM_BENCH, DataOption
from soakmon.cli.printing import print_line

commands = typer.Typer()


@commands.command()
def learnt(
    bench: Annotated[Path | None, typer.Option(metavar="TOML", help="bench.toml")] = None,
    data: DataOption = DATA,
    simulated: Annotated[bool, typer.Option(help="What rehearsals have taught.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
) -> None:
    """Show what the bench has learnt: from its own soaks, and from the other benches of its shop.

    Other shops' soaks are not looked at, also where they are in the same database.
    """
    from soakmon.app.learnt import learnt_by
    from soakmon.bench_toml import read_bench
    from soakmon.config import Bench

    if bench is None and SYSTEM_BENCH.exists():
        bench = SYSTEM_BENCH
    described = read_bench(bench) if bench is not None else Bench()
    lessons = learnt_by(data, described, invented=simulated)
    if as_json:
        sys.stdout.write(json.dumps(lessons, allow_nan=False) + "\n")
        return
    for line in _lines(lessons):
        print_line(line)


def _lines(learnt: dict[str, Any]) -> Iterator[str]:
    yield from _evaporation(learnt)
    yield from _cell(learnt["cells"])
    yield from _gates(learnt["gates"])
    for key, value in learnt["careful"].items():
        yield f"reckoned with because of it: {key} = {value:.3g}"
    for text in learnt["odd"]:
        yield f"UNLIKE ITS KIND: {text}"
    for part in learnt["parts"]:
        if part["carbs"]:
            yield from _part(part)


def _evaporation(learnt: dict[str, Any]) -> Iterator[str]:
    yield f"bench {learnt['bench']}" + (f" of shop {learnt['shop']}" if learnt["shop"] else "")
    yield "own soaks: " + (learnt["past"]["text"] or "fewer than three tight ones: nothing yet")
    silent = "silent: too few, or the bench knows itself better"
    yield "other benches: " + (learnt["fleet"]["text"] or silent)
    for bench in sorted(learnt["benches"], key=lambda row: str(row["bench"])):
        ratio = f"{100 * bench['ratio']:.0f} % of the expected" if bench["ratio"] else "none tight"
        mine = " (this one)" if bench["own"] else ""
        more = bench["more_than_expected"]
        off = f", {more} that lost more than any expectation" if more else ""
        yield f"  {bench['bench']}{mine}: {bench['tight']} tight soaks, {ratio}{off}"


def _cell(cells: dict[str, Any]) -> Iterator[str]:
    of_kind, own = cells["of_kind"], cells["own"]
    others = "fewer than three others have told"
    if of_kind is not None:
        others = (
            f"{of_kind['cells']} others: zero shift {of_kind['zero_g_per_c']:.2g} g/°C (sd), drift "
            f"{of_kind['drift_g_per_root_h']:.2g} g/√h"
        )
    yield f"cells of kind {cells['kind']}: {others}"
    if own is not None:
        yield (
            f"  this one: {own['zero_g_per_c']:+.2g} ± {own['zero_sd']:.2g} g/°C, "
            f"{own['drift_g_per_root_h']:.2g} g/√h"
        )


def _gates(gates: dict[str, Any]) -> Iterator[str]:
    of_kind = gates["of_kind"]
    others = "fewer than three other benches have told"
    if of_kind is not None:
        worst = max(range(24), key=lambda hour: of_kind["by_hour"][hour])
        others = (
            f"{of_kind['gates']} others count {of_kind['per_h']:.2g} an hour without a leak, most "
            f"from {worst} o'clock on: {of_kind['by_hour'][worst]:.2g}"
        )
    yield f"gates of kind {gates['kind'] or '(none named)'}: {others}"
    for carb, gate in gates["own"].items():
        yield f"  gate {carb}: {gate['counts']:.0f} in {gate['hours']:.0f} h"


def _part(part: dict[str, Any]) -> Iterator[str]:
    yield f"{part['field']} = {part['value']}, {part['carbs']:.0f} carburettors:"
    for cause, seen in part["causes"].items():
        yield (
            f"  {cause}: {seen['cases']:.1f} cases, {seen['expected']:.1f} expected; odds × "
            f"{seen['factor']:.2f}"
        )
