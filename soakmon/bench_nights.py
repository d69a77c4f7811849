"""Makes the simulated nights of blind benches, and judges them over several processes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed

from sim.bench_draw import Owner
from sim.benches import blind_bench
from sim.blind import Induced
from sim.record import simulate
from soakmon.capability.benches import BenchCase, BenchNight, BenchResult, judged_bench


def make_bench_night(case: BenchCase) -> BenchNight:
    """The simulated night of a case."""
    induced = Induced(case.leak_g_per_day, case.gates, lost=case.lost)
    bench = blind_bench(case.seed, Owner(case.owner), induced)
    night = simulate(bench.scenario)
    truth = night.truth
    nan = float("nan")
    return BenchNight(
        night.rows,
        bench.settings,
        bench.kind,
        truth.t_s,
        truth.evaporated_curve_g,
        truth.leaked_curve_g,
        nan if truth.onset_s is None else truth.onset_s,
        min(truth.first_drop_s.values(), default=nan),
    )


def run_benches(cases: list[BenchCase], jobs: int) -> Iterator[BenchResult]:
    """Judge nights over `jobs` processes, in whatever order they get done."""
    if jobs == 1 or len(cases) < 2:
        yield from map(_judged, cases)
        return
    with ProcessPoolExecutor(min(jobs, len(cases))) as pool:
        for future in as_completed([pool.submit(_judged, case) for case in cases]):
            yield future.result()


def _judged(case: BenchCase) -> BenchResult:
    return judged_bench(case, make_bench_night)
