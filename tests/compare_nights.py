"""Nights for `tests.compare`: made, and judged by soakmon, by the usual ways and by the oracle."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from soakmon.app.capability_nights import FEED_REL_SD, make_night
from soakmon.capability.bound import least_sd_g_per_h, minutes, true_filter
from soakmon.capability.evaluate import Night
from soakmon.capability.plan import Case, Owner, Way
from soakmon.records.past import evaporation_of
from soakmon.watch.closing import signed_leak, tail
from soakmon.watch.decide import decide
from soakmon.watch.decider import Decider
from soakmon.watch.knock import without_knocks
from soakmon.watch.past import Past, PastSoak
from soakmon.watch.rows import Floats
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.verdict import Outcome
from soakmon.watch.weep import GATE_PRIOR, LEAKS, Weep
from tests.comparison import ORACLE, OURS, RATIO, TAIL, Score, Told
from tests.others import Soak, hours_of, minutes_of, running, scores_of, soak_of

# The seed modulo three chooses the hardship of a hard night.
SCENARIOS = {"easy": None, "sunlit gate": 0, "volatile, warm": 1, "drifting cell": 2}
# Benches that are not as a careless owner describes them; anything may disturb their nights.
BLIND = "careless bench"
AT_GATE = (0.07, 0.1, 0.14, 0.2, 0.35, 0.7, 1.5, 4.0, 12.0)
# Close to the smallest leak that can be found: more nights tell it better.
_CLOSE, _OFTEN = {0.1, 0.14, 0.2, 2.0, 3.0}, 3
BY_MASS = (1.0, 2.0, 3.0, 4.5, 6.0, 9.0, 14.0, 24.0, 48.0)
_BUDGET = 0.01
_LOOK_MINUTES = 15
# Of so many leaks the bound is reckoned of one.
_EVERY = 4
# Numbers of the nights before all others.
_BEFORE = 100_000


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
        if self.scenario == BLIND:
            return self._blind
        place = list(SCENARIOS).index(self.scenario)
        words = [place, round(1000 * self.leak_g_per_day), int(self.at_gate), self.number]
        hardship = SCENARIOS[self.scenario]
        seed = 3 * int(np.random.default_rng(words).integers(1, 2**29)) + (hardship or 0)
        way = Way.GATES if self.at_gate else Way.AFTER_BLANK
        return Case(0, seed, self.leak_g_per_day, way, hard=hardship is not None)

    @property
    def _blind(self) -> Case:
        words = [77, round(1000 * self.leak_g_per_day), int(self.at_gate), self.number]
        seed = int(np.random.default_rng(words).integers(1, 2**31))
        way = Way.GATES if self.at_gate else Way.MASS_ONLY
        return Case(0, seed, self.leak_g_per_day, way, hard=True, owner=Owner.CARELESS)


class Listening(Decider):
    """A decider that remembers at every look what its tests of mass and gates said."""

    def __init__(self, settings: Settings, gates: int) -> None:
        super().__init__(settings, gates)
        self.said: list[tuple[float, float, float]] = []

    def _look(self) -> None:
        super()._look()
        weep = self.weep
        if weep is None:
            return
        mass = weep.mass_log_ratio()
        ratios = [weep.gate_ratio(k, mass) for k, gate in enumerate(weep.gates) if gate.count]
        tail_nats = -float(np.log(max(tail(self.record(), weep), 1e-300)))
        self.said.append((self.last_row_s, tail_nats, max(ratios, default=0.0)))


class Oracle:
    """A sequential test that is told rate, carb and noise, at soakmon's false-alarm budget.

    rate_g_per_day: at a gate what arrives there, else what gets out.
    """

    def __init__(self, night: Night, rate_g_per_day: float, fill_s: float, soak_s: float) -> None:
        self.night = night
        self.soak_s = soak_s
        self.told = true_filter(night.noise, 96)
        self.weep = Weep(night.settings, fill_s, night.rows.gates, 0.0)
        self.column = int(np.argmin(np.abs(np.log(LEAKS * 24 / rate_g_per_day))))
        self.gate = None if night.carb is None else night.carb - 1

    def _falls(self) -> list[tuple[float, int]]:
        """Time and count of what the gate counted since the fill."""
        if self.gate is None:
            return []
        rows = self.night.rows
        rows, _ = without_knocks(rows, np.diff(rows.t_s, prepend=0.0))
        counts = np.nan_to_num(rows.drops[:, self.gate])
        at = np.flatnonzero((counts > 0) & (rows.t_s >= self.weep.start_s))
        return [(float(rows.t_s[index]), int(counts[index])) for index in at]

    def _sure(self, mass: Floats) -> bool:
        ratio = np.logaddexp.reduce(mass[:, self.column] + np.log(self.weep.onset_prior()))
        if self.gate is not None and self.weep.gates[self.gate].count:
            joint = self.weep.under_gate(self.gate, mass)[1][:, self.column]
            ratio = max(ratio, float(np.logaddexp.reduce(joint - np.log(GATE_PRIOR[self.column]))))
        return bool(ratio > -np.log(_BUDGET))

    def _hears(self, falls: list[tuple[float, int]], until_s: float) -> bool:
        """Take the drops up to a time; whether there were any."""
        heard = False
        while self.gate is not None and falls and falls[0][0] <= until_s:
            t_s, count = falls.pop(0)
            self.weep.last_s = self.weep.fed_s = t_s
            self.weep.hear(self.gate, t_s, count, 1.0, float("nan"))
            self.weep.weigh(t_s, at_once=True)
            heard = True
        return heard

    def alarm_s(self) -> float | None:
        """When it is sure: asked at every drop and every quarter of an hour."""
        falls = self._falls()
        nothing = np.zeros((96, len(LEAKS)))
        while falls and falls[0][0] < self.soak_s:
            t_s = falls[0][0]
            if self._hears(falls, t_s) and self._sure(nothing):
                return t_s
        night = self.night
        taken = minutes(night.rows, night.settings, night.noise, self.soak_s, self.told)
        for number, minute in enumerate(taken):
            self.told.update(minute.row, minute.reading_g, minute.noise_g, minute.inputs)
            heard = self._hears(falls, minute.t_s)
            self.weep.last_s = self.weep.fed_s = minute.t_s
            if (heard or number % _LOOK_MINUTES == 0) and self._sure(self.told.log_ratio(LEAKS)):
                return minute.t_s
        return None


def tight_before(number: int) -> dict[str, Any] | None:
    """What one of the bench's earlier nights without a leak says; three of four are easy."""
    scenario = list(SCENARIOS)[number // 4 % 3 + 1 if number % 4 == 0 else 0]
    night = make_night(Job(scenario, 0.0, True, _BEFORE + number).case)
    return evaporation_of(decide(night.rows, night.settings), night.settings)


def past_of(nights: int, processes: int) -> Past:
    """What so many earlier nights teach soakmon. Each is of a bench of its own: the harder way."""
    with ProcessPoolExecutor(processes) as pool:
        said = [one for one in pool.map(tight_before, range(nights)) if one is not None]
    soaks = [PastSoak(one["lost_g"], one["feed_g"], one["bowls_g"], one["spare_g"]) for one in said]
    return DESCRIBED.taught_by(soaks)


def told_of(job: Job, past: Past) -> list[Told]:
    """Make a night and let every way judge it on each of its lanes."""
    lanes = _blind_lanes(job) if job.scenario == BLIND else _described_lanes(job, past)
    night = next(iter(lanes.values()))
    soak = soak_of(night.rows, night.settings)
    return [_told(job, way, night, soak) for way, night in lanes.items()]


def _blind_lanes(job: Job) -> dict[Way, Night]:
    """The night of a careless owner's bench, and the same where a blank run was done."""
    night = make_night(job.case)
    if job.at_gate:
        return {Way.GATES: night}
    blank = make_night(replace(job.case, owner=Owner.BLANK))
    return {Way.MASS_ONLY: night, Way.AFTER_BLANK: blank}


def _described_lanes(job: Job, past: Past) -> dict[Way, Night]:
    night = make_night(job.case)
    settings = replace(night.settings, priors=replace(DESCRIBED, past=past))
    lanes = {Way.GATES: replace(night, settings=settings)}
    if not job.at_gate:
        noise = replace(night.noise, feed_rel_sd=FEED_REL_SD)
        unknown = replace(night, settings=settings, noise=noise)
        lanes = {Way.MASS_ONLY: unknown, Way.AFTER_BLANK: night}
    return lanes


def _told(job: Job, way: Way, night: Night, soak: Soak) -> Told:
    minutes, beyond = minutes_of(soak, night.settings)
    scores = scores_of(minutes, beyond)
    alarm_s, over_bound, ours = _ours(job, night)
    scores |= ours
    alarms = {OURS: alarm_s}
    if not job.leak_g_per_day:
        scores = {name: score.at_end() for name, score in scores.items()}
    else:
        rate = job.leak_g_per_day if job.at_gate else night.leak_g_per_day
        fill_s = float(soak.before[-1].t_s) - night.settings.settle_s
        alarms[ORACLE] = Oracle(night, rate, fill_s, soak.averages[0].t_s).alarm_s()
    began_s = night.began_s if np.isfinite(night.began_s) else None
    lane = (job.scenario, way.value, job.leak_g_per_day, job.number)
    hours = [hours_of(minutes), hours_of(beyond)]
    return Told(*lane, began_s, scores, hours, alarms, over_bound)


def _ours(job: Job, night: Night) -> tuple[float | None, float | None, dict[str, Score]]:
    """When soakmon alarmed, if it calls the night leaking; its error over the bound; its scores."""
    decider = Listening(night.settings, night.rows.gates)
    decider.push(night.rows)
    decider.finish()
    verdict = decider.decision().verdict
    alarms = [alarm.t_s for alarm in verdict.alarms if alarm.leaks]
    found = verdict.outcome is Outcome.LEAKING and bool(alarms)
    ratio = None
    small = 0 < job.leak_g_per_day <= 6 and night.from_start and job.number % _EVERY == 0
    if small and decider.weep is not None:
        bound = least_sd_g_per_h(night.rows, night.settings, night.noise, decider.soak_s)
        ratio = float((signed_leak(decider.weep)[0] - night.leak_g_per_day / 24) / bound)
    t_s, tail, gates = (np.array(column) for column in zip(*decider.said, strict=True))
    scores = {TAIL: running(t_s, tail), RATIO: running(t_s, gates)}
    return min(alarms) if found else None, ratio, scores


def plan(nights: int, tight: int, *, blind: bool = False) -> list[Job]:
    """Leaks first, in turn, so that a part of the plan is a fair sample."""
    scenarios = (BLIND,) if blind else tuple(SCENARIOS)
    lanes = [(True, AT_GATE), (False, BY_MASS)]
    return [
        Job(scenario, leak, at_gate, number)
        for number in range(_OFTEN * nights)
        for scenario in scenarios
        for at_gate, leaks in lanes
        for leak in leaks
        if number < nights or leak in _CLOSE
    ] + [Job(scenario, 0.0, False, number) for number in range(tight) for scenario in scenarios]


def judged(jobs: list[Job], past: Past, keep: Path | None, processes: int) -> Iterator[Told]:
    """Judge the nights, telling how far it is; those already in the file `keep` are taken."""
    done = _kept(keep) if keep is not None and keep.exists() else {}
    yield from (Told.from_json(t) for job in jobs for t in done.get(job.key, ()))
    left = [job for job in jobs if job.key not in done]
    start = time.monotonic()
    with ProcessPoolExecutor(processes) as pool:
        futures = {pool.submit(told_of, job, past): job for job in left}
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
