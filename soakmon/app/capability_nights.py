"""Makes the simulated nights of the capability's cases, and judges them over several processes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np

from sim import bench_draw
from sim.benches import blind_bench, run_blank
from sim.blind import Induced, blank_of, blind_scenario
from sim.record import Recording, Truth, simulate
from sim.scenario import Scenario
from soakmon.capability.bound import Noise
from soakmon.capability.evaluate import Isolation, Night, Result, judged
from soakmon.capability.plan import Case, Owner, Way
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.past import MOST, READ_G, Past, PastSoak
from soakmon.watch.settings import DESCRIBED, Settings, described

# Spread of simulated benches that are as described: vents, hose, fuel batch, draught together, of
# bottle with hose and of the bowls, and their correlation (counted over 460 of them).
FEED_REL_SD, BOWLS_REL_SD = 0.15, 0.13
_DESCRIBED = (FEED_REL_SD, BOWLS_REL_SD, 0.24)
# The same of bottle with hose, and of the bowls, where they are not (logarithmic, so cut short).
_SPREADS = {
    Owner.CARELESS: (0.65, 0.55),
    Owner.CAREFUL: (0.6, 0.3),
    Owner.BLANK: (0.06, 0.5),
    Owner.PAST: (0.15, 0.15),
}
_KNOWN_BY = {
    Owner.CARELESS: bench_draw.OwnerKnowledge.CARELESS,
    Owner.CAREFUL: bench_draw.OwnerKnowledge.CAREFUL,
    Owner.BLANK: bench_draw.OwnerKnowledge.BLANK,
    Owner.PAST: bench_draw.OwnerKnowledge.CARELESS,
}
# Past soaks are only asked what they lost: a reading a minute and half a day tell that as well.
_COARSE_S, _PAST_HOURS, _SETTLED_S = 60.0, 12.0, 3600.0

# Fuel has got out from here on, g: less is rounding.
_OUT_G = 1e-4


def make_night(case: Case, isolation: Isolation | None = None) -> Night:
    """The simulated night of a case."""
    make = _described if case.owner is Owner.DESCRIBED else blind_night
    return make(case, isolation)


def _described(case: Case, isolation: Isolation | None) -> Night:
    """A night of a bench that is as it is described."""
    induced = Induced(case.leak_g_per_day, case.way is Way.GATES, case.hard)
    scenario = blind_scenario(case.seed, induced)
    recording = _recorded(scenario, isolation)
    blank = case.way is Way.AFTER_BLANK
    settings = Settings(geometry=recording.geometry, fuel=recording.fuel, priors=DESCRIBED)
    blank_run = run_blank(blank_of(scenario), settings) if blank else None
    if blank_run is not None:
        settings = replace(
            settings, priors=described(blank_run.blank_scale, blank_run.blank_rel_sd)
        )
    # What a blank run still leaves unknown is of its own reading, nothing that bowls share.
    rel_sds = _DESCRIBED if blank_run is None else (blank_run.blank_rel_sd, BOWLS_REL_SD)
    kind = "hard" if case.hard else "calm"
    return _night(scenario, recording, settings, rel_sds, kind)


def blind_night(case: Case, isolation: Isolation | None = None, shop: int | None = None) -> Night:
    """A night of a bench that is not as it is described; shop: it is one of that shop's."""
    induced = Induced(case.leak_g_per_day, case.way is Way.GATES, lost=case.lost)
    kind, known = None if case.hard else "calm", _KNOWN_BY[case.owner]
    bench = blind_bench(case.seed, known, induced, kind, night=case.night, shop=shop)
    settings = bench.settings
    if case.owner is Owner.PAST:
        settings = replace(settings, priors=replace(settings.priors, past=past_of(case.seed)))
    recording = _recorded(bench.scenario, isolation)
    return _night(bench.scenario, recording, settings, _SPREADS[case.owner], bench.kind)


def _night(
    scenario: Scenario,
    recording: Recording,
    settings: Settings,
    rel_sds: tuple[float, ...],
    kind: str,
) -> Night:
    truth = recording.truth
    carb = truth.carbs[0] if truth.carbs else None
    onset_s = truth.onset_s if truth.onset_s is not None else float("nan")
    defect_s = scenario.defects[0].onset_s if scenario.defects else 0.0
    return Night(
        recording.rows,
        settings,
        _noise(scenario, *rel_sds),
        24 * truth.leak_g_per_h,
        carb,
        truth.cause,
        truth.first_drop_s.get(carb, onset_s) if carb is not None else onset_s,
        defect_s == 0.0,
        kind,
        np.array([truth.t_s, truth.evaporated_curve_g]),
        _first_s(truth),
    )


def _first_s(truth: Truth) -> float:
    """When the first fuel got out, s; NaN: none did."""
    out = np.flatnonzero(truth.leaked_curve_g > _OUT_G)
    return float(truth.t_s[out[0]]) if len(out) else math.nan


@lru_cache(maxsize=4)
def past_of(seed: int) -> Past:
    """What thirty soaks of a careless owner's bench taught that were known to be tight."""
    soaks = [past_soak(seed, night) for night in range(-MOST, 0)]
    bench = blind_bench(seed, bench_draw.OwnerKnowledge.CARELESS, kind="calm", night=-1)
    return bench.settings.priors.taught_by(soaks)


def past_soak(
    seed: int, night: int, shop: int | None = None, leak_g_per_day: float = 0.0
) -> PastSoak:
    """What one tight soak lost, as read, beside what the physics alone expected of it.

    As if it had been proven tight with all of the criterion to spare: the decider need not judge
    it again. leak_g_per_day: what leaked all the same, and was taken to have evaporated.
    """
    careless = bench_draw.OwnerKnowledge.CARELESS
    bench = blind_bench(seed, careless, kind="calm", night=night, shop=shop)
    settings = bench.settings
    recording = simulate(bench.scenario, hours=_PAST_HOURS, interval_s=_COARSE_S)
    expected, rows, truth = Evaporation(settings), recording.rows, recording.truth
    soaked = rows.t_s > _SETTLED_S
    for air_c in rows.air_c[soaked].tolist():
        expected.step(_COARSE_S, air_c, float("nan"), 1.0)
    ends = [_SETTLED_S, float(rows.t_s[-1])]
    before, after = np.interp(ends, truth.t_s, truth.evaporated_curve_g).tolist()
    error_g = float(np.random.default_rng([seed, 83, night + MOST]).normal(0, READ_G))
    leaked_g = leak_g_per_day * (ends[1] - ends[0]) / 86400
    feed, bowls = settings.priors.scales
    spare_g = settings.criterion_g_per_day * _PAST_HOURS / 24
    parts = expected.bottle_hose_g / feed, expected.bowls_g / bowls
    return PastSoak(max(after - before + leaked_g + error_g, 0.0), *parts, spare_g)


def _recorded(scenario: Scenario, isolation: Isolation | None) -> Recording:
    if isolation is None:
        return simulate(scenario)
    hours = max(24.0, isolation.until_s / 3600)
    night = simulate(scenario, hours=hours, shut_s=isolation.shut_s)
    watched = int(np.searchsorted(night.rows.t_s, isolation.until_s))
    return replace(night, rows=night.rows.part(0, watched))


def described_noise(scenario: Scenario) -> Noise:
    """What a night of a bench really is that is as it is described."""
    return _noise(scenario, *_DESCRIBED)


def _noise(
    scenario: Scenario, feed_rel_sd: float, bowls_rel_sd: float, correlation: float = 0.0
) -> Noise:
    cell = scenario.cell
    white = float(np.hypot(cell.noise_g, cell.quantum_g / np.sqrt(12)))
    specimen = cell.specimen
    zero = cell.zero_g_per_c if specimen is None else abs(specimen.zero_g_per_c)
    return Noise(white, cell.wander_g, zero, feed_rel_sd, bowls_rel_sd, correlation)


def run(cases: list[Case], jobs: int, *, deep: bool = True) -> Iterator[Result]:
    """Judge simulated nights over `jobs` processes, in whatever order they get done.

    Nights of one bench stay together, so that its past is soaked once. deep: see `judged`.
    """
    if jobs == 1 or len(cases) < 2:
        yield from itertools.chain.from_iterable(map(partial(_judged, deep=deep), _apart(cases)))
        return
    with ProcessPoolExecutor(min(jobs, len(cases))) as pool:
        futures = [pool.submit(_judged, some, deep=deep) for some in _apart(cases)]
        for future in as_completed(futures):
            yield from future.result()


def _apart(cases: list[Case]) -> list[list[Case]]:
    """The cases one by one, but those of one bench with a past together."""
    groups: dict[tuple[str, int], list[Case]] = {}
    for case in cases:
        bench = ("past", case.seed) if case.owner is Owner.PAST else ("", case.index)
        groups.setdefault(bench, []).append(case)
    return list(groups.values())


def _judged(cases: list[Case], *, deep: bool) -> list[Result]:
    return [judged(case, make_night, deep=deep) for case in cases]
