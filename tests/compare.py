"""The decider against the usual ways, against an oracle, and against the least possible spread.

python -m tests.compare [--nights N]     needs: pip install -e '.[test,benchmark]'
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from statistics import median
from typing import NamedTuple

import numpy as np

from soakmon.capability.bound import least_sd_g_per_h, minutes, true_filter
from soakmon.capability.evaluate import Case, Night, Way
from soakmon.capability_cli import make_night
from soakmon.watch.closing import signed_leak
from soakmon.watch.decide import watched
from soakmon.watch.knock import without_knocks
from soakmon.watch.verdict import Outcome
from soakmon.watch.weep import LEAKS, RATE_PRIOR, Weep
from tests.others import WAYS, Forest, Minutes, Score, minutes_of

RATES = {
    Way.GATES: (0.35, 0.7, 1.0, 2.0, 4.0, 8.0, 16.0),
    Way.MASS_ONLY: (2.0, 4.0, 6.0, 9.0, 12.0, 24.0, 48.0),
}
OURS, ORACLE, EITHER, FOREST = "soakmon", "oracle", "loss or drops", "isolation forest"
_BUDGET = 0.01
_LOOK_MINUTES = 15


class Told(NamedTuple):
    """A night's case and what each way said: the score, or when soakmon and the oracle alarmed."""

    case: Case
    began_s: float
    minutes: Minutes
    scores: dict[str, Score]
    alarm_s: dict[str, float | None]
    error_over_bound: float | None


def oracle_s(night: Night, soak_s: float) -> float | None:
    """When a sequential test told rate, carb and noise is sure, at soakmon's false-alarm budget."""
    told = true_filter(night.noise, 96)
    weep = Weep(night.settings, soak_s, night.rows.gates, 0.0)
    column = int(np.argmin(np.abs(np.log(LEAKS * 24 / max(night.leak_g_per_day, 0.05)))))
    rows, _ = without_knocks(night.rows, np.diff(night.rows.t_s, prepend=0.0))
    gate = None if night.carb is None else night.carb - 1
    falls = [] if gate is None else np.flatnonzero(np.nan_to_num(rows.drops[:, gate]) > 0).tolist()
    falls = [index for index in falls if rows.t_s[index] >= soak_s]
    taken = minutes(night.rows, night.settings, night.noise, soak_s, told)
    for number, minute in enumerate(taken):
        weep.last_s = minute.t_s
        told.update(minute.row, minute.reading_g, minute.noise_g, minute.exposure_h)
        while gate is not None and falls and rows.t_s[falls[0]] <= minute.t_s:
            index = falls.pop(0)
            weep.gates[gate].add(float(rows.t_s[index]), int(rows.drops[index, gate]), 1.0)
        if number % _LOOK_MINUTES == 0:
            mass = told.log_ratio(LEAKS)
            ratio = np.logaddexp.reduce(mass[:, column] + np.log(weep.onset_prior()))
            if gate is not None and weep.gates[gate].count:
                joint = weep.under_gate(gate, mass)[1][:, column] - np.log(RATE_PRIOR[column])
                ratio = max(ratio, float(np.logaddexp.reduce(joint)))
            if ratio > -np.log(_BUDGET):
                return minute.t_s
    return None


def told(case: Case) -> Told:
    night = make_night(case)
    decider = watched(night.rows, night.settings)
    verdict = decider.verdict()
    m = minutes_of(night, decider.soak_s)
    alarms = [a.t_s for a in verdict.alarms if a.kind in {"weep", "flood"}]
    found = verdict.outcome is Outcome.LEAKING and bool(alarms)
    ratio = None
    if night.from_start and case.leak_g_per_day <= 6 and decider.weep is not None:
        bound = least_sd_g_per_h(night.rows, night.settings, night.noise, decider.soak_s)
        ratio = (signed_leak(decider.weep)[0] - night.leak_g_per_day / 24) / bound
    alarm_s = {OURS: min(alarms) if found else None}
    if case.leak_g_per_day:
        alarm_s[ORACLE] = oracle_s(night, decider.soak_s)
    scores = {name: way(m) for name, way in WAYS.items()}
    return Told(case, night.began_s, m, scores, alarm_s, ratio)


def plan(count: int, kind: int) -> list[Case]:
    """Three times as many tight nights as of each leak."""
    jobs = [(0.0, Way.GATES)] * (3 * count)
    jobs += [(rate, way) for way, rates in RATES.items() for rate in rates for _ in range(count)]
    return [
        Case(index, 50_000 * kind + 7 * index + 3, rate, way, hard=bool(kind))
        for index, (rate, way) in enumerate(jobs)
    ]


def with_alarms(nights: list[Told]) -> None:
    """Set each usual way's threshold at the highest score of a tight night; note its alarms."""
    tight = [n for n in nights if not n.case.leak_g_per_day]
    forest = Forest([n.minutes for n in tight])
    for night in nights:
        night.scores[FOREST] = forest(night.minutes)
    for name in [*WAYS, FOREST]:
        limit = max(float(n.scores[name].score[-1]) for n in tight)
        if name == "drops at a gate":
            limit = max(limit, 5.0)
        for night in nights:
            over = np.flatnonzero(night.scores[name].score > limit)
            night.alarm_s[name] = float(night.scores[name].t_s[over[0]]) if len(over) else None
    for night in nights:
        both = [night.alarm_s[n] for n in ("loss over the night", "drops at a gate")]
        night.alarm_s[EITHER] = min((t for t in both if t is not None), default=None)


def line(name: str, nights: list[Told]) -> str:
    cells = [f"{name:22}"]
    for way, rates in RATES.items():
        smallest, delays, unbroken = None, [], True
        for rate in reversed(rates):
            mine = [n for n in nights if n.case.way is way and n.case.leak_g_per_day == rate]
            caught = [n for n in mine if n.alarm_s.get(name) is not None]
            delays += [n.alarm_s[name] - n.began_s for n in caught if np.isfinite(n.began_s)]
            unbroken = unbroken and len(caught) >= 0.95 * len(mine)
            smallest = rate if unbroken else smallest
        cells.append(f"{f'{smallest:g}' if smallest else 'none':>12}")
        cells.append(f"{f'{median(delays) / 3600:.1f}' if delays else '':>9}")
    tight = [n for n in nights if not n.case.leak_g_per_day]
    alarms = sum(n.alarm_s.get(name) is not None for n in tight)
    return "".join(cells) + f"{alarms:>7}/{len(tight)}"


def against(nights: list[Told]) -> None:
    ratios = [n.error_over_bound for n in nights if n.error_over_bound is not None]
    print(f"spread of the estimate over the bound: {np.sqrt(np.mean(np.square(ratios))):.2f}")
    for way in RATES:
        pairs = [
            (n.alarm_s[OURS] - n.began_s, n.alarm_s[ORACLE] - n.began_s)
            for n in nights
            if n.case.way is way and n.alarm_s.get(OURS) and n.alarm_s.get(ORACLE)
        ]
        if pairs:
            ours, oracle = (median(column) / 3600 for column in zip(*pairs, strict=True))
            print(f"{way.value}: soakmon {ours:.2f} h, oracle {oracle:.2f} h, {len(pairs)} nights")


def compare(count: int) -> None:
    """Print the tables, easy and hard nights apart."""
    for kind, name in enumerate(("easy", "hard")):
        with ProcessPoolExecutor(os.cpu_count()) as pool:
            nights = list(pool.map(told, plan(count, kind), chunksize=2))
        with_alarms(nights)
        print(f"\n{name} nights, {count} per leak: smallest leak found at 95 % (g/day), delay (h)")
        print(f"{'':22}{'at a gate':>12}{'delay':>9}{'mass only':>12}{'delay':>9}  false")
        for way in (OURS, *WAYS, EITHER, FOREST, ORACLE):
            print(line(way, nights))
        against(nights)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=20, help="per leak; tight: three times that")
    compare(parser.parse_args().nights)


if __name__ == "__main__":
    main()
