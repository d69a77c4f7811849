"""What the decider believes, and what each belief matters.

python -m tests.beliefs --list [--only PATTERN]
python -m tests.beliefs [--nights N] [--hours H] [--processes N] [--only PATTERN] [--keep FILE]

The first prints name, value, unit, kind and reason of each. The second decides the same nights over
again with each belief at half and at double: of a chance its odds, of the weights of a table their
logarithms. --nights: half of them tight, at benches careless, careful, measured and as described;
--only: names that hold the pattern (a regular expression); --keep: go on from the lines of FILE
(delete it when the decider has changed).
"""

from __future__ import annotations

import argparse
import json
import pickle
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from sim.bench_draw import OwnerKnowledge
from sim.benches import blind_bench
from sim.blind import Induced, blind_scenario
from sim.record import Recording, simulate
from tests.belief_list import ROOT, Belief, beliefs

FACTORS = (0.5, 2.0)
# What is told of a change: time of the first alarm, chance of the likeliest cause; leak, what could
# hide and what was provable, g/day; evaporated, g.
FIGURES = ("alarm_h", "likeliest", "leak", "could_hide", "provable", "evaporation")
# Leak in g/day, whether a gate sees it, share of its drops lost: in turn, tight nights between.
LEAKS = (
    (0.5, True, 0.3), (3.0, False, 0.0), (24.0, True, 0.0), (9.0, False, 0.0), (0.2, True, 0.0),
    (1200.0, True, 0.0), (4.0, True, 0.3), (100.0, False, 0.0), (2.0, False, 0.0),
)  # fmt: skip
OWNERS = (OwnerKnowledge.CARELESS, OwnerKnowledge.CAREFUL, OwnerKnowledge.BLANK, None)
SEED, SHUT_SHARE = 7000, 0.9


def made(number: int, hours: float) -> dict[str, Any]:
    """Night of a number, as `tests.belief_vary` reads it; every third ends with the feed shut."""
    owner = OWNERS[number // 2 % len(OWNERS)]
    leak = LEAKS[number // 2 % len(LEAKS)] if number % 2 else (0.0, True, 0.0)
    induced = Induced(leak[0], leak[1], lost=leak[2])
    shut_s = SHUT_SHARE * 3600 * hours if number % 3 == 1 else np.inf
    if owner is None:
        night = simulate(blind_scenario(SEED + number, induced), hours=hours, shut_s=shut_s)
        return _kept(night, None)
    bench = blind_bench(SEED + number, owner, induced)
    return _kept(simulate(bench.scenario, hours=hours, shut_s=shut_s), bench.table)


def _kept(night: Recording, table: dict[str, Any] | None) -> dict[str, Any]:
    rows = {field.name: getattr(night.rows, field.name) for field in fields(night.rows)}
    return {"rows": rows, "table": table, "geometry": night.geometry, "fuel": night.fuel}


def runs(found: list[Belief]) -> list[tuple[Belief, int, float]]:
    """Belief, column and factor of everything that is to be tried."""
    return [
        (belief, column, factor)
        for belief in found
        for column in range(len(belief.units))
        for factor in FACTORS
    ]


def judged(place: tuple[str, int, int, float], nights: Path) -> list[dict[str, Any]] | str:
    """The verdicts with that belief changed; the last line of the error where that cannot be."""
    words = [sys.executable, "-m", "tests.belief_vary", *map(str, place), str(nights)]
    done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, check=False)
    if done.returncode:
        return (done.stderr.strip() or f"ended with {done.returncode}").splitlines()[-1][:100]
    return list(json.loads(done.stdout))


def differences(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> dict[str, float]:
    """How many verdicts, alarms, likeliest causes and faults changed; mean change of figures."""
    pairs = list(zip(before, after, strict=True))
    told: dict[str, float] = {
        name: sum(a[name] != b[name] for a, b in pairs)
        for name in ("verdict", "alarms", "cause", "faults")
    }
    for name in FIGURES:
        told[name] = float(np.mean([abs(a[name] - b[name]) for a, b in pairs]))
    return told


def line(name: str, factor: float, changed: dict[str, float] | str) -> str:
    """What came of one change, as one line."""
    head = f"{name:<58} x{factor:<4g}"
    if isinstance(changed, str):
        return f"{head} cannot be: {changed}"
    if not any(changed.values()):
        return f"{head} nothing"
    counts = " ".join(f"{changed[n]:3.0f} {n}" for n in ("verdict", "alarms", "cause", "faults"))
    means = (f"{name} {changed[name]:.2g}" for name in FIGURES if changed[name])
    return f"{head} {counts}; {', '.join(means)}"


def _vary(found: list[Belief], nights: Path, processes: int, keep: Path | None) -> None:
    done = _read(keep)
    same = ("", 0, 0, 1.0)
    before = judged(same, nights)
    assert not isinstance(before, str), before
    print("verdicts:", " ".join(one["verdict"] for one in before), flush=True)
    left = []
    for belief, column, factor in runs(found):
        name = belief.full_name + (f"/{belief.units[column]}" if len(belief.units) > 1 else "")
        if f"{name} {factor:g}" not in done:
            left.append((name, (belief.module, belief.line, column, factor)))
    with ThreadPoolExecutor(processes) as pool:
        waiting = {pool.submit(judged, place, nights): (name, place[3]) for name, place in left}
        for future in as_completed(waiting):
            (name, factor), after = waiting[future], future.result()
            changed = after if isinstance(after, str) else differences(before, after)
            print(line(name, factor, changed), flush=True)
            done[f"{name} {factor:g}"] = changed
            if keep is not None:
                with keep.open("a") as file:
                    file.write(json.dumps([f"{name} {factor:g}", changed]) + "\n")
    _tell(done)


def _read(keep: Path | None) -> dict[str, Any]:
    if keep is None or not keep.exists():
        return {}
    return dict(map(json.loads, keep.read_text().splitlines()))


def _tell(done: dict[str, Any]) -> None:
    """Which beliefs changed nothing at all, and which no verdict, alarm, cause or fault."""
    by_name: dict[str, list[Any]] = {}
    for key, changed in done.items():
        by_name.setdefault(key.rpartition(" ")[0], []).append(changed)
    nothing, little = [], []
    for name, both in by_name.items():
        if all(isinstance(one, dict) and not any(one.values()) for one in both):
            nothing.append(name)
        elif all(isinstance(one, dict) and not _counted(one) for one in both):
            little.append(name)
    print(f"\nof {len(by_name)}, nothing changes with {len(nothing)}:", *nothing, sep="\n  ")
    print(f"no verdict, alarm, cause or fault with {len(little)} more:", *little, sep="\n  ")


def _counted(changed: dict[str, float]) -> float:
    return sum(changed[name] for name in ("verdict", "alarms", "cause", "faults"))


def _list(found: list[Belief]) -> Iterator[str]:
    for one in found:
        yield f"{one.full_name} = {one.value} [{', '.join(one.units)}] {one.kind}: {one.why}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--hours", type=float, default=24.0, help="length of a night")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", default="", help="regular expression over the names")
    parser.add_argument("--keep", type=Path, help="go on from what is in this file")
    asked = parser.parse_args()
    found = [one for one in beliefs() if re.search(asked.only, one.full_name)]
    if asked.list:
        print("\n".join(_list(found)))
        return
    with tempfile.TemporaryDirectory() as folder:
        nights = Path(folder) / "nights"
        nights.write_bytes(
            pickle.dumps([made(number, asked.hours) for number in range(asked.nights)])
        )
        _vary(found, nights, asked.processes, asked.keep)


if __name__ == "__main__":
    main()
