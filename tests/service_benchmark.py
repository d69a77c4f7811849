"""Prints what the service costs: CPU, memory and bytes written over a simulated stretch.

python -m tests.service_benchmark [--hours 2]
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from sim.scenarios import SCENARIOS
from tests.bench.stepping import Stepped
from tests.bench.test_crash import soak_with_crashes


def written_bytes() -> tuple[int, int]:
    """Bytes handed to the system, and bytes sent to storage, by this process."""
    fields = dict(
        line.split(": ") for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    )
    return int(fields["wchar"]), int(fields["write_bytes"])


def cost(hours: float) -> None:
    with TemporaryDirectory(dir=Path.cwd()) as folder:
        bench = Stepped(Path(folder), SCENARIOS["dry-rack"], every_s=0.1)
        simulated = bench.simulation
        sim_cpu = 0.0

        def timed(call):
            def inner(*args):
                nonlocal sim_cpu
                start = time.process_time()
                try:
                    return call(*args)
                finally:
                    sim_cpu += time.process_time() - start

            return inner

        simulated.count = timed(simulated.count)
        simulated.new_edges = timed(simulated.new_edges)
        bench.start()
        bench.run(0.75)
        before, cpu, sim_cpu = written_bytes(), time.process_time(), 0.0
        bench.run(hours)
        spent = time.process_time() - cpu - sim_cpu
        after = written_bytes()
    share = spent / (hours * 3600)
    day = 24 / hours
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"service at 10 readings/s: {100 * share:.2f} % of one core here, {peak_mb:.0f} MB peak")
    print(
        f"written a day: {day * (after[0] - before[0]) / 1e6:.1f} MB by calls, "
        f"{day * (after[1] - before[1]) / 1e6:.1f} MB to storage"
    )


def crashes(count: int) -> None:
    start = time.perf_counter()
    with TemporaryDirectory() as folder:
        bench = soak_with_crashes(Path(folder), count, 24.0, 4.0)
        rows = bench.journal.read_rows(1)
        verdict = bench.session.decision.verdict
    wall = time.perf_counter() - start
    print(
        f"{count} crashes over a soak: {len(rows)} rows kept, none doubled, verdict "
        f"{verdict.outcome.value}, {wall:.0f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--crashes", type=int, default=200)
    chosen = parser.parse_args()
    cost(chosen.hours)
    crashes(chosen.crashes)


if __name__ == "__main__":
    main()
