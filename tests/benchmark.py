"""Prints speed, memory and what is detected; asserts nothing.

python -m tests.benchmark [--seeds N]      about a second per night and seed on one core
python -m tests.compare [--nights N]       against other ways, an oracle and the bound
"""

from __future__ import annotations

import argparse
import itertools
import os
import resource
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.app.capability_nights import make_night
from soakmon.capability.evaluate import Result
from soakmon.capability.evaluate import judged as judge_night
from soakmon.capability.plan import plan
from soakmon.records.run_file import write_run
from soakmon.watch.decide import decide
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Cause

MAIN = "from soakmon.cli import main; main()"


class Night(NamedTuple):
    name: str
    outcome: str
    right: bool
    carbs: bool
    cause: bool
    delays_s: list[float]
    ratio: float | None
    smallest_g_per_day: float | None


def judged(job: tuple[str, int]) -> Night:
    name, seed = job
    night = simulate(SCENARIOS[name], seed=seed)
    truth = night.truth
    verdict = decide(night.rows, Settings(night.geometry, night.fuel, DESCRIBED)).verdict
    first = verdict.suspects[0]
    alarmed = {alarm.carb for alarm in verdict.alarms if alarm.carb}
    delays = [
        a.t_s - truth.first_drop_s[a.carb] for a in verdict.alarms if a.carb in truth.first_drop_s
    ]
    ratio = verdict.leak_g_per_h.best / truth.leak_g_per_h if truth.leak_g_per_h else None
    smallest = verdict.smallest_provable_leak_g_per_h
    return Night(
        name,
        verdict.outcome.value,
        verdict.outcome.value in truth.outcomes,
        alarmed == set(truth.carbs),
        first.cause is Cause(truth.cause),
        delays,
        ratio,
        None if smallest is None else 24 * smallest,
    )


def detection(seeds: int) -> None:
    print(f"Scenarios over {seeds} seeds each: verdicts, and how many were right")
    head = (
        f"{'scenario':20} {'tight':>6} {'leaking':>8} {'not proven':>11} {'right':>6} {'carb':>5}"
    )
    print(head + f" {'cause':>6} {'delay s (worst)':>16} {'rate/true':>10} {'provable g/day':>15}")
    jobs = [(name, 1000 + seed) for name in SCENARIOS for seed in range(seeds)]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        nights = list(pool.map(judged, jobs, chunksize=2))
    for name in SCENARIOS:
        mine = [night for night in nights if night.name == name]
        count = Counter(night.outcome for night in mine)
        delays = [delay for night in mine for delay in night.delays_s]
        told = f"{median(delays):.0f} ({max(delays):.0f})" if delays else ""
        ratios = [night.ratio for night in mine if night.ratio is not None]
        provable = [n.smallest_g_per_day for n in mine if n.smallest_g_per_day is not None]
        print(
            f"{name:20} {count['tight']:6} {count['leaking']:8} {count['not_proven']:11}"
            f" {sum(n.right for n in mine):6} {sum(n.carbs for n in mine):5}"
            f" {sum(n.cause for n in mine):6} {told:>16}"
            f" {f'{median(ratios):.2f}' if ratios else '':>10}"
            f" {f'{median(provable):.2f}' if provable else '':>15}"
        )


def calibration(nights: int) -> None:
    """Whether suspects of 70 % are the cause in 70 of 100 random nights."""
    print(f"Suspects over {nights} random nights: probability said, and how often it was the cause")
    jobs = partial(judge_night, maker=make_night)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(jobs, plan(nights, seed=5), chunksize=2))
    print_calibration("all nights", results)
    print_calibration(
        "leaks found at a gate", [r for r in results if r.leaking and r.way == "gates"]
    )


def print_calibration(name: str, results: list[Result]) -> None:
    pairs = np.array([pair for result in results for pair in result.suspects]).reshape(-1, 2)
    first = [r.cause_right for r in results if r.suspects]
    # Causes that were not named had no probability, and one of them was right or not.
    missed = sum(not any(right for _, right in r.suspects) for r in results)
    brier = (float(np.sum((pairs[:, 0] - pairs[:, 1]) ** 2)) + missed) / max(len(results), 1)
    print(
        f"{name}: {len(results)} nights, Brier score {brier:.3f}, first right {np.mean(first):.0%}"
    )
    for low, high in itertools.pairwise((0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.9, 1.01)):
        within = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(within):
            said, was = within.mean(axis=0)
            print(f"  {low:4.0%} to {min(high, 1):4.0%}: said {said:4.0%}, was {was:4.0%} "
                  f"({len(within)} suspects)")  # fmt: skip


def timed(what: str, *args: str, cwd: str) -> None:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    one_core = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    code = "import resource,sys,atexit;atexit.register(lambda:print(resource.getrusage("
    code += "resource.RUSAGE_SELF).ru_maxrss//1024,file=sys.stderr));" + MAIN
    done = subprocess.run(
        [sys.executable, "-c", code, *args],
        cwd=cwd, check=False, capture_output=True, env={**os.environ, **one_core},
    )  # fmt: skip
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    peak = done.stderr.decode().strip().splitlines()[-1]
    print(f"{what:60} {wall:6.2f} s wall {cpu:6.2f} s cpu {peak:>5} MB peak")


def speed() -> None:
    print("Speed and memory of whole commands, start of Python included")
    with TemporaryDirectory() as folder:
        timed("24 h at 10 readings/s simulated, decided, drawn, reported",
              "rehearse", "gasket-weep", "--interval-s", "0.1", "--report", "r",
              cwd=folder)  # fmt: skip
        timed("24 h at 1 reading/s simulated, decided, drawn, reported",
              "rehearse", "gasket-weep", "--report", "r1", cwd=folder)  # fmt: skip
        for name in ("dry-rack", "drop-a-minute"):
            write_run(Path(folder) / "run.csv", simulate(SCENARIOS[name]).rows)
            timed(f"replay of 86,400 rows ({name})", "replay", "run.csv", "--json", cwd=folder)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--random-nights", type=int, default=240)
    wanted = parser.parse_args()
    speed()
    print()
    detection(wanted.seeds)
    print()
    calibration(wanted.random_nights)


if __name__ == "__main__":
    main()
