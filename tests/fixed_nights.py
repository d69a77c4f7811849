"""The same nights, always: what the decider says of each, to the last bit, as one line.

python -m tests.fixed_nights [--nights N] [--keep FILE] [--against FILE]

For changes that must change no verdict: run it with --keep before, with --against after. Nights are
of blind benches of all owners and of the named scenarios, with leaks at gates and beside them, with
the feed shut in the middle of some. Of each: outcome, reason, and a hash of every number of the
verdict (in the middle of the night too), of the phases and of the curve.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import math
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from sim.bench_draw import OwnerKnowledge
from sim.benches import blind_bench
from sim.blind import Induced
from sim.record import simulate
from sim.scenario import Scenario
from sim.scenarios import SCENARIOS
from soakmon.watch.decider import Decider
from soakmon.watch.decision import Decision
from soakmon.watch.settings import Settings

_LEAKS_G_PER_DAY = (0.0, 0.4, 2.0, 6.0, 0.0, 24.0, 100.0, 2000.0)
_HOURS = (6.0, 9.0, 14.0)
_INTERVAL_S = 10.0


@dataclass(frozen=True)
class Fixed:
    """A night: shut_s: when the feed is shut, inf: never."""

    name: str
    scenario: Scenario
    settings: Settings
    hours: float
    interval_s: float
    shut_s: float


def nights() -> Iterator[Fixed]:
    """Without an end; the first of them are the same however many are asked for."""
    named = itertools.cycle(SCENARIOS.values())
    for k in itertools.count():
        hours = _HOURS[k % len(_HOURS)]
        shut_s = 1800.0 * hours if k % 5 == 4 else math.inf
        if k % 4 == 3:
            scenario = replace(next(named), seed=k)
            settings = Settings(geometry=scenario.geometry)
            yield Fixed(f"{k} {scenario.name}", scenario, settings, hours, 5.0, shut_s)
            continue
        owner = (OwnerKnowledge.CARELESS, OwnerKnowledge.CAREFUL, OwnerKnowledge.BLANK)[k % 4]
        leak = _LEAKS_G_PER_DAY[k // 4 % len(_LEAKS_G_PER_DAY)]
        bench = blind_bench(1000 + k, owner, Induced(leak, k % 3 != 0))
        name = f"{k} {owner.value} {leak:g} g/day {bench.kind}"
        yield Fixed(name, bench.scenario, bench.settings, hours, _INTERVAL_S, shut_s)


def said(night: Fixed) -> tuple[Decision, Decision]:
    """What is decided in the middle of a night, and at its end."""
    made = simulate(
        night.scenario, hours=night.hours, interval_s=night.interval_s, shut_s=night.shut_s
    )
    rows = made.rows
    decider = Decider(night.settings, rows.gates)
    half = len(rows) // 2
    decider.push(rows.part(0, half))
    middle = decider.decision()
    decider.push(rows.part(half, len(rows)))
    decider.finish()
    return middle, decider.decision()


def exact(decision: Decision) -> str:
    """A hash of every bit of a decision."""
    found = hashlib.sha256()
    found.update(repr(asdict(decision.verdict)).encode())
    found.update(repr(decision.phases).encode())
    for name, values in sorted(asdict(decision.curve).items()):
        found.update(f"{name} {values.dtype} {values.shape}".encode())
        found.update(np.ascontiguousarray(values).tobytes())
    return found.hexdigest()[:20]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--keep", type=Path, help="write the lines here")
    parser.add_argument("--against", type=Path, help="lines of before; exit code 1 for another")
    asked = parser.parse_args()
    lines, before = [], []
    if asked.against is not None:
        before = asked.against.read_text(encoding="utf-8").splitlines()
    others = 0
    for k, night in enumerate(itertools.islice(nights(), asked.nights)):
        middle, end = said(night)
        line = f"{night.name}: {end.verdict.outcome} {exact(middle)} {exact(end)}"
        lines.append(f"{line} {end.verdict.reason}")
        other = asked.against is not None and (k >= len(before) or before[k] != lines[-1])
        others += other
        print(lines[-1], "OTHER" if other else "", flush=True)
        if asked.keep is not None:
            asked.keep.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if asked.against is not None:
        print(f"{others} of {asked.nights} nights are others")
    sys.exit(1 if others else 0)


if __name__ == "__main__":
    main()
