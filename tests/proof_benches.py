"""Nights of blind benches for `tests.proof --benches OWNER`: which, judged, and what they show."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from soakmon.app.capability_nights import run
from soakmon.capability.evaluate import Result
from soakmon.capability.plan import Case, Owner, Way
from soakmon.capability.shares import lines

# Leak in g/day, whether a gate sees it, share of its drops that the gate loses.
CLAIMED = ((0.2, True, 0.0), (0.5, True, 0.3))
LARGE = ((4.0, True, 0.0), (24.0, True, 0.3))
_NIGHTS_A_BENCH = 10
BY_MASS = (2.0, 3.0, 4.5, 6.0, 9.0, 14.0, 24.0)


def bench_cases(owner: str, dry: int, each: int, seed: int) -> list[Case]:
    """The nights, shuffled; a night is the same whatever else is asked for."""
    leaks = [(0.0, True, 0.0), *CLAIMED, *LARGE, *((leak, False, 0.0) for leak in BY_MASS)]
    wanted = [
        (place, number, leak)
        for place, leak in enumerate(leaks)
        for number in range(each if leak[0] else dry)
    ]
    cases = [_case(Owner(owner), (seed, place, number), leak) for place, number, leak in wanted]
    order = np.random.default_rng([seed, 9]).permutation(len(cases))
    return [cases[index] for index in order.tolist()]


def _case(owner: Owner, words: tuple[int, int, int], leak: tuple[float, bool, float]) -> Case:
    """The case of (seed, place among the leaks, number).

    Nights after thirty soaks are of few benches, each with nights of every leak.
    """
    seed, place, number = words
    rate, gates, lost = leak
    past = owner is Owner.PAST
    drawn_by = [seed, 0, number // _NIGHTS_A_BENCH] if past else words
    night = 1 + 100 * place + number % _NIGHTS_A_BENCH if past else 0
    way = Way.GATES if gates else Way.MASS_ONLY
    drawn = int(np.random.default_rng(drawn_by).integers(1, 2**31))
    return Case(10**6 * place + number, drawn, rate, way, True, owner, lost, night)


def judged_benches(wanted: list[Case], keep: Path | None, processes: int) -> list[Result]:
    """Judge the nights, telling how far it is; those already in the file `keep` are taken."""
    names = {case.index for case in wanted}
    done = {r.index: r for r in _kept(keep) if r.index in names}
    left = [case for case in wanted if case.index not in done]
    start = time.monotonic()
    for number, result in enumerate(run(left, processes, deep=False), start=1):
        done[result.index] = result
        if keep is not None:
            with keep.open("a") as file:
                file.write(json.dumps(result.as_dict()) + "\n")
        if number % 25 == 0 or number == len(left):
            minutes = (time.monotonic() - start) / 60
            print(f"{len(done)} of {len(wanted)}, {minutes:.1f} min", file=sys.stderr, flush=True)
    return list(done.values())


def _kept(keep: Path | None) -> Iterator[Result]:
    """The nights in the file; one that was cut off by an interruption is taken out of it."""
    if keep is None or not keep.exists():
        return
    text = keep.read_text()
    whole = text[: text.rfind("\n") + 1]
    if whole != text:
        keep.write_text(whole)
    yield from map(Result.from_dict, map(json.loads, whole.splitlines()))


def prove_benches(cases: list[Case], keep: Path | None, processes: int) -> None:
    """Judge the nights and print what they show."""
    results = judged_benches(cases, keep, processes)
    for line in lines(results):
        print(line)
