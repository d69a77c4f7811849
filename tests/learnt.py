"""What benches of a hall teach each other, measured on blind benches.

python -m tests.learnt [--halls N] [--dry N] [--each N] [--common N] [--keep FILE] [--processes N]

Each night is decided alone, among the others of a hall of fifty, and by three soaks of its own
(whatever the hall: its own outrank it). --dry: tight nights of each hall; --each: nights of each
leak by mass; --common: nights of each leak in halls of which every bench leaks 1 g/day, which
nobody has noticed. --keep: go on from the nights in this file.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np

from soakmon.capability.evaluate import Result
from soakmon.capability.shares import (
    at_least,
    at_most,
    between,
    in_band,
    proven,
    says_leaking,
    woken,
)
from soakmon.capability.shares import tight as without_leak
from tests.learnt_nights import ALONE, AMONG, OWN, Hall, HallNight, decided

LEAKS = (3.0, 4.5, 6.0, 9.0, 14.0)
COMMON_G_PER_DAY, COMMON_LEAKS = 1.0, (1.0, 2.0, 4.0)
Row = dict[str, Any]


def nights(halls: int, dry: int, each: int, common: int) -> Iterator[tuple[str, list[HallNight]]]:
    """The nights hall by hall, which soak their benches once."""
    for number in range(halls):
        for alike in (True, False):
            leaks = [0.0] * dry + [leak for leak in LEAKS for _ in range(each)]
            hall = Hall(number, alike)
            yield f"{hall}", [HallNight(hall, k, leak) for k, leak in enumerate(leaks)]
        leaks = [leak for leak in COMMON_LEAKS for _ in range(common)]
        for described in (False, True):
            hall = Hall(number, True, COMMON_G_PER_DAY, described)
            yield f"{hall}", [HallNight(hall, 500 + k, leak) for k, leak in enumerate(leaks)]


def judged_hall(wanted: list[HallNight], ways: tuple[str, ...]) -> list[Row]:
    """All nights of a hall, as rows of the file."""
    return [
        {"hall": one.hall.name, "way": way, "result": result.as_dict()}
        for one in wanted
        for way, result in decided(one, ways)
    ]


def measured(asked: argparse.Namespace) -> list[Row]:
    """Judge what is not in the file yet, hall by hall: the others of each are soaked once."""
    keep: Path | None = asked.keep
    lines = keep.read_text().splitlines() if keep is not None and keep.exists() else []
    rows = [row for line in lines for row in json.loads(line)["rows"]]
    done = {json.loads(line)["part"] for line in lines}
    parts = nights(asked.halls, asked.dry, asked.each, asked.common)
    left = [(name, part) for name, part in parts if part and name not in done]
    began = time.monotonic()
    with ProcessPoolExecutor(asked.processes) as pool:
        futures = {pool.submit(judged_hall, part, _ways(part)): name for name, part in left}
        for number, future in enumerate(as_completed(futures), start=1):
            found = future.result()
            rows += found
            if keep is not None:
                with keep.open("a") as file:
                    file.write(json.dumps({"part": futures[future], "rows": found}) + "\n")
            minutes = (time.monotonic() - began) / 60
            print(f"{number} of {len(left)} halls, {minutes:.1f} min", file=sys.stderr, flush=True)
    return rows


def _ways(part: list[HallNight]) -> tuple[str, ...]:
    return (ALONE, AMONG) if part[0].hall.common_g_per_day else (ALONE, AMONG, OWN)


def tell(rows: Iterable[Row]) -> None:
    """Print what came of it, each way beside the others."""
    found: dict[tuple[str, str], list[Result]] = defaultdict(list)
    for row in rows:
        found[row["hall"], row["way"]].append(Result.from_dict(row["result"]))
    for (hall, way), results in sorted(found.items()):
        print(f"\n{hall}, {way}")
        for line in lines(results):
            print(f"  {line}")
    for hall in sorted({hall for hall, _ in found}):
        print(f"\n{hall}: {changed(found[hall, ALONE], found[hall, AMONG])}")


def lines(results: list[Result]) -> Iterator[str]:
    """What the nights of one way show."""
    smallest = [r.smallest_g_per_day for r in results if r.smallest_g_per_day is not None]
    middle, low, high = np.quantile(smallest, (0.5, 0.1, 0.9)) if smallest else (np.nan,) * 3
    yield f"smallest leak by mass: {middle:.1f} g/day in the middle, 80 % {low:.1f} to {high:.1f}"
    dry = without_leak(results)
    if dry:
        yield at_most("tight, called leaking", dry, says_leaking)
        yield at_most("tight, somebody woken", dry, woken)
        yield at_least("tight, proven tight", dry, proven)
        yield between("evaporation inside its 95 % band", dry, in_band)
    for leak in sorted({r.leak_g_per_day for r in results} - {0.0}):
        mine = [r for r in results if r.leak_g_per_day == leak]
        yield at_least(f"{leak:g} g/day by mass, found", mine, says_leaking)
        yield at_most(f"{leak:g} g/day by mass, called tight", mine, proven)


def changed(alone: list[Result], among: list[Result]) -> str:
    """Night by night: what the others have changed."""
    before = {(r.index, r.leak_g_per_day): r for r in alone}
    pairs = [(before[r.index, r.leak_g_per_day], r) for r in among]
    more = sum(proven(after) and not proven(then) for then, after in pairs)
    fewer = sum(proven(then) and not proven(after) for then, after in pairs)
    found = sum(says_leaking(after) and not says_leaking(then) for then, after in pairs)
    lost = sum(says_leaking(then) and not says_leaking(after) for then, after in pairs)
    return (
        f"of {len(pairs)} nights {more} became tight among others, {fewer} were no longer; "
        f"{found} became leaking, {lost} were no longer"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--halls", type=int, default=4)
    parser.add_argument("--dry", type=int, default=20)
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--common", type=int, default=10)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--processes", type=int, default=2)
    tell(measured(parser.parse_args()))


if __name__ == "__main__":
    main()
