"""Many blind nights of the leaks that are claimed, and of none; then the usual ways beside it.

python -m tests.proof [--dry N] [--each N] [--others N] [--keep FILE] [--compare N]
python -m tests.proof --benches careless|careful|blank|past [--dry N] [--each N] [--keep FILE]

--benches: nights of benches that are not as their owner describes them, instead; --dry of them
without a leak, --each of each leak. Delete the file of --keep when decider or worlds have changed.
--dry: nights without a leak, half of them after a blank run; --each: nights of 0.2 g/day at a gate
and of 2 g/day by mass alone after a blank run; --others: nights of each further leak.
--compare: nights per leak of `tests.compare` (0: none), which needs the extra `benchmark`.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from soakmon.app.capability_nights import run
from soakmon.capability.evaluate import Result
from soakmon.capability.form import as_dict
from soakmon.capability.plan import Case, Owner, Way
from soakmon.capability.summary import HEADS, detection_lines, error_lines, facts
from tests.benchmark import print_calibration
from tests.proof_benches import bench_cases, prove_benches

CLAIMED = ((0.2, Way.GATES), (2.0, Way.AFTER_BLANK))
OTHERS = (
    (0.4, Way.GATES), (1.0, Way.GATES), (4.0, Way.GATES), (24.0, Way.GATES),
    (100.0, Way.GATES), (600.0, Way.GATES),
    (3.0, Way.MASS_ONLY), (6.0, Way.MASS_ONLY), (12.0, Way.MASS_ONLY), (3.0, Way.AFTER_BLANK),
)  # fmt: skip


def cases(dry: int, each: int, others: int, seed: int) -> list[Case]:
    """The nights, shuffled; one dry or other night in four is a hard one, none of the claimed."""
    jobs = [(0.0, (Way.GATES, Way.AFTER_BLANK)[k % 2], k % 8 < 2) for k in range(dry)]
    jobs += [(*leak, False) for leak in CLAIMED for _ in range(each)]
    jobs += [(*leak, k % 4 == 0) for leak in OTHERS for k in range(others)]
    rng = np.random.default_rng([seed, 9])
    order, seeds = rng.permutation(len(jobs)), rng.integers(1, 2**31, len(jobs))
    dealt = [jobs[index] for index in order.tolist()]
    return [
        Case(k, int(seeds[k]), leak, way, hard=hard) for k, (leak, way, hard) in enumerate(dealt)
    ]


def judged(wanted: list[Case], keep: Path | None) -> list[Result]:
    """Judge the nights, telling how far it is; those already in the file `keep` are taken."""
    lines = keep.read_text().splitlines() if keep is not None and keep.exists() else []
    done = {result.index: result for result in map(Result.from_dict, map(json.loads, lines))}
    left = [case for case in wanted if case.index not in done]
    start = time.monotonic()
    for number, result in enumerate(run(left, os.cpu_count() or 1), start=1):
        done[result.index] = result
        if keep is not None:
            with keep.open("a") as file:
                file.write(json.dumps(result.as_dict()) + "\n")
        if number % 100 == 0:
            print(f"{len(done)} of {len(wanted)}", file=sys.stderr, flush=True)
    if left:
        seconds = (time.monotonic() - start) / len(left)
        print(f"{len(left)} nights, {seconds:.2f} s each on {os.cpu_count()} cores, all in all")
    return list(done.values())


def tell(results: list[Result]) -> None:
    """Print what came of it."""
    for row in (HEADS, *detection_lines(results)):
        print("".join(f"{cell:>32}" if k == 0 else f"{cell:>20}" for k, cell in enumerate(row)))
    for name, value in facts(results):
        print(f"{name}: {value}")
    print(f"Verdicts tight that were right: {as_dict(results)['tight_true']}")
    for line in error_lines(results):
        print(line)
    seen = [r for r in results if r.leaking and r.way == Way.GATES and r.leak_g_per_day]
    print_calibration("all nights", results)
    print_calibration("leaks found at a gate", seen)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--dry", type=int, default=2000)
    parser.add_argument("--each", type=int, default=500)
    parser.add_argument("--others", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="go on from the nights in this file")
    parser.add_argument("--compare", type=int, default=20)
    parser.add_argument(
        "--benches", choices=[str(owner) for owner in Owner if owner is not Owner.DESCRIBED]
    )
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    if asked.benches:
        nights = bench_cases(asked.benches, asked.dry, asked.each, asked.seed)
        prove_benches(nights, asked.keep, asked.processes)
        return
    tell(judged(cases(asked.dry, asked.each, asked.others, asked.seed), asked.keep))
    if asked.compare:
        command = [sys.executable, "-m", "tests.compare", "--nights", str(asked.compare)]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
