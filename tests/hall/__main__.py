"""A hall of benches on a real broker, time-series server and database; prints what it cost.

    python -m tests.hall --benches 10 100 300 1000 --minutes 10
    python -m tests.hall --benches 1000 --figures FILE    exponents over all halls in the file
    python -m tests.hall --benches 300 --hour     an hour without broker and store, at pace 10

Every point and every alarm is compared with the benches' journals; exit code 1 when one is missing
or there twice. In the middle: a power cut of all, a lookout killed, broker and store gone, a hot
afternoon that begins as they come back, and a bench brought up to date.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from sim.hall import Mishaps, Stretch
from tests.hall.run import IDLE_S, SERVERS, HallRun, Order, Told, reachable_memory
from tests.hall.servers import Cost

_HOUR_PACE = 10.0


def ordered(count: int, minutes: float, shares: int) -> Order:
    """The hall in which everything happens, at its own pace."""
    length_s = 60 * minutes
    return Order(count, length_s, Mishaps.over(length_s), shares=shares, pages=min(20, count))


def hour(count: int, shares: int, catch_up: float) -> Order:
    """Half an hour of quiet, an hour without broker and store, and the way back."""
    wire = Stretch(1800.0, 5400.0)
    return Order(
        count, 6000.0, Mishaps(wire=wire), pace=_HOUR_PACE, shares=shares, pages=0,
        readings_every_s=5.0, catch_up=catch_up, records=False, settle_s=1200.0,
    )  # fmt: skip


def printed(told: Told) -> None:
    """What came of a hall."""
    print(f"{told.benches} benches, {told.quiet_s:.0f} s of quiet:")
    for name in SERVERS:
        cost, n, s = told.costs[name], told.benches, told.quiet_s
        what = ("written ahead", "of size") if name == "database" else ("in", "out")
        per = "for each soak" if name == "database" else "a second"
        over = 1.0 if name == "database" else s
        print(
            f"  {name}: of a bench {1e3 * cost.cpu_s / n / over:.3f} ms of CPU {per},"
            f" {cost.in_b / n / over:.0f} B {what[0]}, {cost.out_b / n / over:.0f} B {what[1]},"
            f" {cost.memory_b / n / 1e3:.0f} kB of memory; in all"
            f" {100 * cost.cpu_s / s:.1f} % of a core"
        )
    for name, used_s in told.clients_cpu_s.items():
        print(
            f"  {name}, which have machines of their own: {1e3 * used_s / n / s:.2f} ms of CPU a"
            f" second for a bench, {100 * used_s / s:.0f} % of a core"
        )
    for name, found in told.found.items():
        state = "" if found.well else f": {found.first}"
        print(
            f"  {name}: {found.wanted}, missing {found.missing}, doubled {found.doubled},"
            f" strange {found.strange}{state}"
        )
    for line in told.lines:
        print(f"  {line}")
    sys.stdout.flush()


def peak(told: Told, order: Order) -> None:
    """Samples a second at the store, ten of the hall's minutes at a time, against the quiet."""
    rates: list[tuple[float, float]] = []
    for (at_s, rows), (later_s, more) in zip(told.rates, told.rates[10:], strict=False):
        if more >= rows and later_s > at_s:  # it counts anew after a restart
            rates.append((at_s, (more - rows) / (later_s - at_s)))
    wire = order.mishaps.wire
    quiet = [rate for at_s, rate in rates if 60 < at_s < wire.from_s / order.pace - 12]
    after = [rate for at_s, rate in rates if at_s > wire.to_s / order.pace]
    if quiet and after:
        steady = sum(quiet) / len(quiet)
        print(
            f"  store: {steady:.0f} samples a second in the quiet, at most {max(quiet):.0f};"
            f" after the hour at most {max(after):.0f}, {max(after) / steady:.2f} times"
        )


def exponents(all_told: list[Told]) -> None:
    """How each cost grows with the benches: by least squares of the logarithms."""
    for name in SERVERS:
        for what in ("cpu_s", "in_b", "out_b", "memory_b"):
            pairs = [
                (math.log(one.benches), math.log(value))
                for one in all_told
                if (value := _above_idle(one, name, what)) > 0
            ]
            if len(pairs) > 1:
                print(f"  exponent of {name}, {what}: {_slope(pairs):.2f} over {len(pairs)} halls")


def figures(file: Path, done: list[Told]) -> list[Told]:
    """Write down what these halls cost; all that the file holds."""
    with file.open("a", encoding="utf-8") as out:
        for one in done:
            costs = {name: asdict(cost) for name, cost in one.costs.items()}
            idle = {name: asdict(cost) for name, cost in one.idle.items()}
            well = {"well": one.well, "benches": one.benches, "quiet_s": one.quiet_s}
            out.write(json.dumps(well | {"costs": costs, "idle": idle}) + "\n")
    held = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    return [
        Told(
            one["benches"],
            one["quiet_s"],
            {name: Cost(**cost) for name, cost in one["costs"].items()},
            {name: Cost(**cost) for name, cost in one["idle"].items()},
        )
        for one in held
    ]


def _above_idle(told: Told, name: str, what: str) -> float:
    """What the benches cost a second, beside what the server takes with none."""
    cost = getattr(told.costs[name], what)
    if what == "memory_b":
        return float(cost)
    return float(cost / told.quiet_s - getattr(told.idle[name], what) / IDLE_S)


def _slope(pairs: list[tuple[float, float]]) -> float:
    mean_x = sum(x for x, _ in pairs) / len(pairs)
    mean_y = sum(y for _, y in pairs) / len(pairs)
    return sum((x - mean_x) * (y - mean_y) for x, y in pairs) / sum(
        (x - mean_x) ** 2 for x, _ in pairs
    )


def main() -> None:
    """As the module says."""
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    asked.add_argument("--benches", type=int, nargs="+", default=[10, 100, 300, 1000])
    asked.add_argument("--minutes", type=float, default=10.0)
    asked.add_argument("--hour", action="store_true", help="an hour without broker and store")
    asked.add_argument(
        "--catch-up", type=float, default=2.5, help="with --hour; 0: as fast as it goes"
    )
    asked.add_argument("--shares", type=int, default=3, help="processes that the benches run in")
    asked.add_argument("--no-records", action="store_true", help="leave the job records alone")
    asked.add_argument("--readings-every", type=float, default=1.0, help="by MQTT, s")
    asked.add_argument(
        "--figures", type=Path, help="file of what halls cost: exponents are over all in it"
    )
    asked.add_argument("--keep", action="store_true", help="leave the folder, for a look")
    told = asked.parse_args()
    done = []
    for count in told.benches:
        shares = min(told.shares, count)
        order = (
            hour(count, shares, told.catch_up)
            if told.hour
            else ordered(count, told.minutes, shares)
        )
        order.records = order.records and not told.no_records
        if not told.hour:
            order.readings_every_s = told.readings_every
        folder = Path(tempfile.mkdtemp(prefix="hall", dir=reachable_memory()))
        folder.chmod(0o755)
        try:
            done.append(HallRun(folder, order).run())
            printed(done[-1])
            if told.hour:
                peak(done[-1], order)
        finally:
            if told.keep:
                print(folder)
            else:
                shutil.rmtree(folder, ignore_errors=True)
    well = all(one.well for one in done)
    if told.figures is not None:
        done = figures(told.figures, done)
    if len(done) > 1:
        exponents(done)
    sys.exit(0 if well else 1)


if __name__ == "__main__":
    main()
