"""Nights for `tests.compare`: made, and judged by soakmon, by the usual ways and by the oracle."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from soakmon.capability.bound import least_sd_g_per_h, minutes, true_filter
from soakmon.capability.evaluate import Case, Night, Way
from soakmon.capability_cli import _FEED_REL_SD, make_night
from soakmon.watch.closing import signed_leak
from soakmon.watch.decide import watched
from soakmon.watch.knock import without_knocks
from soakmon.watch.settings import Priors
from soakmon.watch.verdict import Outcome
from soakmon.watch.weep import LEAKS, RATE_PRIOR, Weep
from tests.comparison import ORACLE, OURS, Told
from tests.others import WAYS, Soak, hours_of, minutes_of, soak_of

# The seed modulo three chooses the hardship of a hard night.
SCENARIOS = {"easy": None, "sunlit gate": 0, "volatile, warm": 1, "drifting cell": 2}
AT_GATE = (0.05, 0.1, 0.2, 0.35, 0.7, 1.5, 4.0, 12.0)
BY_MASS = (1.0, 2.0, 3.0, 4.5, 6.0, 9.0, 14.0, 24.0, 48.0)
_BUDGET = 0.01
_LOOK_MINUTES = 15
# Of so many tight nights soakmon judges one on either lane; of so many leaks the bound is reckoned.
_EVERY = 8


class Job(NamedTuple):
    """A night to make; a leak that no gate sees is judged without and after a blank run."""

    scenario: str
    leak_g_per_day: float
    at_gate: bool
    number: int

    @property
    def key(self) -> str:
        return "/".join(map(str, self))

    @property
    def case(self) -> Case:
        """The same case whatever else is planned."""
        place = list(SCENARIOS).index(self.scenario)
        words = [place, round(1000 * self.leak_g_per_day), int(self.at_gate), self.number]
        hardship = SCENARIOS[self.scenario]
        seed = 3 * int(np.random.default_rng(words).integers(1, 2**29)) + (hardship or 0)
        way = Way.GATES if self.at_gate else Way.AFTER_BLANK
        return Case(0, seed, self.leak_g_per_day, way, hard=hardship is not None)


def oracle_s(night: Night, soak_s: float) -> float | None:
    """When a sequential test told rate, carb and noise is sure, at soakmon's false-alarm budget."""
    told = true_filter(night.noise, 96)
    weep = Weep(night.settings, soak_s, night.rows.gates, 0.0)
    column = int(np.argmin(np.abs(np.log(LEAKS * 24 / max(night.leak_g_per_day, 0.05)))))
    rows, _ = without_knocks(night.rows, np.diff(night.rows.t_s, prepend=0.0))
    gate = None if night.carb is None else night.carb - 1
    falls = [] if gate is None else np.flatnonzero(np.nan_to_num(rows.drops[:, gate]) > 0).tolist()
    falls = [index for index in falls if rows.t_s[index] >= soak_s]
    last_s = soak_s
    for number, minute in enumerate(minutes(night.rows, night.settings, night.noise, soak_s)):
        told.predict((minute.t_s - last_s) / 3600)
        last_s = weep.last_s = minute.t_s
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


def told_of(job: Job) -> list[Told]:
    """Make a night and let every way judge it on each of its lanes."""
    night = make_night(job.case)
    lanes = {Way.GATES: night}
    if not job.at_gate:
        settings = replace(night.settings, priors=Priors())
        noise = replace(night.noise, feed_rel_sd=_FEED_REL_SD)
        unknown = replace(night, settings=settings, noise=noise)
        lanes = {Way.MASS_ONLY: unknown, Way.AFTER_BLANK: night}
    soak = soak_of(night.rows, night.settings)
    return [_told(job, way, night, soak) for way, night in lanes.items()]


def _told(job: Job, way: Way, night: Night, soak: Soak) -> Told:
    m = minutes_of(soak, night.settings)
    scores = {name: score(m) for name, score in WAYS.items()}
    alarms: dict[str, float | None] = {}
    over_bound = None
    tight = not job.leak_g_per_day
    turn = _EVERY // 2 if way is Way.AFTER_BLANK else 0
    if not tight or job.number % _EVERY == turn:
        alarms[OURS], over_bound = _ours(job, night)
    if tight:
        scores = {name: score.at_end() for name, score in scores.items()}
    else:
        alarms[ORACLE] = oracle_s(night, soak.averages[0].t_s)
    began_s = night.began_s if np.isfinite(night.began_s) else None
    lane = (job.scenario, way.value, job.leak_g_per_day, job.number)
    return Told(*lane, began_s, scores, hours_of(m), alarms, over_bound)


def _ours(job: Job, night: Night) -> tuple[float | None, float | None]:
    """When soakmon alarmed, if it calls the night leaking; its estimate's error over the bound."""
    decider = watched(night.rows, night.settings)
    verdict = decider.verdict()
    alarms = [alarm.t_s for alarm in verdict.alarms if alarm.kind in {"weep", "flood"}]
    found = verdict.outcome is Outcome.LEAKING and bool(alarms)
    ratio = None
    small = 0 < job.leak_g_per_day <= 6 and night.from_start and job.number % (_EVERY // 2) == 0
    if small and decider.weep is not None:
        bound = least_sd_g_per_h(night.rows, night.settings, night.noise, decider.soak_s)
        ratio = float((signed_leak(decider.weep)[0] - night.leak_g_per_day / 24) / bound)
    return min(alarms) if found else None, ratio


def plan(nights: int, tight: int) -> list[Job]:
    """Leaks first, in turn, so that a part of the plan is a fair sample."""
    lanes = [(True, AT_GATE), (False, BY_MASS)]
    return [
        Job(scenario, leak, at_gate, number)
        for number in range(nights)
        for scenario in SCENARIOS
        for at_gate, leaks in lanes
        for leak in leaks
    ] + [Job(scenario, 0.0, False, number) for number in range(tight) for scenario in SCENARIOS]


def judged(jobs: list[Job], keep: Path | None, processes: int) -> Iterator[Told]:
    """Judge the nights, telling how far it is; those already in the file `keep` are taken."""
    done = _kept(keep) if keep is not None and keep.exists() else {}
    yield from (Told.from_json(t) for job in jobs for t in done.get(job.key, ()))
    left = [job for job in jobs if job.key not in done]
    start = time.monotonic()
    with ProcessPoolExecutor(processes) as pool:
        futures = {pool.submit(told_of, job): job for job in left}
        for number, future in enumerate(as_completed(futures), start=1):
            told = future.result()
            if keep is not None:
                with keep.open("a") as file:
                    file.write(json.dumps({"night": futures[future].key, "told": told}) + "\n")
            yield from told
            if number % 100 == 0 or number == len(left):
                minutes_gone = (time.monotonic() - start) / 60
                print(
                    f"{number} of {len(left)}, {minutes_gone:.1f} min", file=sys.stderr, flush=True
                )


def _kept(keep: Path) -> dict[str, list]:
    """The nights in the file; one that was cut off by an interruption is taken out of it."""
    text = keep.read_text()
    whole = text[: text.rfind("\n") + 1]
    if whole != text:
        keep.write_text(whole)
    return {made["night"]: made["told"] for made in map(json.loads, whole.splitlines())}
