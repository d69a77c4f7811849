"""The least possible spread of a leak by mass, twice, beside what the decider makes of it.

python -m tests.bounds [--nights N] [--judged N] [--processes N]

Tight nights of one kind: benches as they are described, a cell as it comes, a 20 °C shop, nothing
that disturbs. Prints how far their evaporation departs from the expectation; the bound of the
simulated world, from the covariance of all nights; the bound of the mass filter's own model, told
each night's noise; and the decider's errors. The numbers for `soakmon.app.capability_nights` come
from the first line.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

import numpy as np

from sim.blind import blank_of
from sim.record import simulate
from soakmon.app.bound_nights import INTERVAL_S, expected, over_g, tight_scenario
from soakmon.app.capability_nights import described_noise
from soakmon.capability.both_bounds import residual_g
from soakmon.capability.bound import least_sd_g_per_h
from soakmon.capability.world_bound import world_bound
from soakmon.watch.closing import signed_leak
from soakmon.watch.decide import watched
from soakmon.watch.rows import Floats
from soakmon.watch.settings import DESCRIBED, Settings

FIRST_H, MARK_H = 1.0, 0.5
# After the soak's clock has started, so that none of these medians holds any of the fill.
EDGES_H: Floats = np.arange(FIRST_H, 24.0 + 1e-9, MARK_H)


class Night(NamedTuple):
    """A tight night: residual g at each mark, departures of the parts, error and bound in g/day."""

    residual_g: Floats
    departs: tuple[float, float]
    error: float | None
    bound: float | None


def made(number: int, *, judge: bool) -> Night:
    """The night of a number; judge: also what the decider and the model's bound say of it."""
    drawn = tight_scenario(number)
    night, blank = (simulate(one, interval_s=INTERVAL_S) for one in (drawn, blank_of(drawn)))
    loss, bare = expected(night), expected(blank)
    feed = blank.truth.evaporated_g / bare.best_g[-1]
    bowls = (night.truth.evaporated_g - blank.truth.evaporated_g) / (
        loss.best_g[-1] - bare.best_g[-1]
    )
    error = bound = None
    if judge:
        settings = Settings(night.geometry, night.fuel, DESCRIBED)
        decider = watched(night.rows, settings)
        if decider.weep is not None:
            error = 24 * signed_leak(decider.weep)[0]
            noise = described_noise(drawn)
            bound = 24 * least_sd_g_per_h(night.rows, settings, noise, decider.soak_s)
    return Night(residual_g(night.rows.t_s, over_g(night), EDGES_H), (feed, bowls), error, bound)


def _made(number: int, judge: bool) -> Night:
    return made(number, judge=judge)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=400)
    parser.add_argument("--judged", type=int, default=60)
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.processes) as pool:
        flags = [number < asked.judged for number in range(asked.nights)]
        nights = list(pool.map(_made, range(asked.nights), flags, chunksize=5))
    feed, bowls = np.log(np.array([night.departs for night in nights])).T
    print(
        f"{len(nights)} benches as described: bottle and hose depart by {feed.std():.3f} "
        f"(mean {feed.mean():+.3f}), bowls by {bowls.std():.3f} (mean {bowls.mean():+.3f}), "
        f"correlation {np.corrcoef(feed, bowls)[0, 1]:.2f}"
    )
    signature = -MARK_H * np.arange(1, len(EDGES_H) - 1)
    world = world_bound(np.array([night.residual_g for night in nights]), signature)
    print(
        f"bound of the simulated world: {24 * world.sd:.3f} ± {24 * world.sd_error:.3f} g/day; "
        f"smallest leak at 1 % false alarms and 95 %: {24 * world.smallest():.2f} g/day"
    )
    bounds = [night.bound for night in nights if night.bound is not None]
    errors = np.array([night.error for night in nights if night.error is not None])
    if bounds:
        rms = float(np.sqrt(np.mean(np.square(bounds))))
        print(f"bound of the mass filter's model, {len(bounds)} nights: {rms:.3f} g/day")
        print(
            f"decider: bias {errors.mean():+.3f}, sd {errors.std(ddof=1):.3f} ± "
            f"{errors.std(ddof=1) / np.sqrt(2 * len(errors)):.3f} g/day; over the model's bound "
            f"{np.sqrt(np.mean(np.square(errors / np.array(bounds)))):.2f}, over the world's "
            f"{errors.std(ddof=1) / (24 * world.sd):.2f}"
        )


if __name__ == "__main__":
    main()
