"""Makes the tight nights from which the bounds of a leak by mass are found, over several processes.

All of one kind: benches as they are described, a cell as it comes, a 20 °C shop, nothing that
disturbs. All that differs is the bench and the cell's specimen.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

from sim.blind import Induced, blind_scenario
from sim.record import Recording, simulate
from sim.scenario import CellTraits, Happenings, Scenario
from sim.weather import Climate
from soakmon.app.capability_nights import described_noise
from soakmon.capability.both_bounds import EDGES_H, TightNight, residual_g
from soakmon.capability.bound import least_sd_g_per_h
from soakmon.physics.evaporating import fuel_of_air_c
from soakmon.physics.expectation import Expectation, expected_loss
from soakmon.physics.fuels import FUELS
from soakmon.watch.rows import Floats
from soakmon.watch.settings import DESCRIBED, Settings

INTERVAL_S = 60.0
# More nights make the bound no surer than anybody needs: 4 % from 300.
MOST = 300
_SEED = 40_000


def tight_scenario(number: int) -> Scenario:
    """The night of a number.

    The weather is the same, since its course is known to whoever judges a night.
    """
    return replace(
        blind_scenario(_SEED + number, Induced()),
        fuel=FUELS["petrol_a"],
        blend="petrol_a",
        filled_ml=450.0,
        climate=Climate(mean_c=20.0, swing_c=2.5, restless_c=0.0),
        cell=CellTraits(),
        happenings=Happenings(knocks_per_h=0.0),
    )


def expected(night: Recording) -> Expectation:
    """What the physics lets a night lose."""
    rows = night.rows
    return expected_loss(night.geometry, night.fuel, rows.t_s, fuel_of_air_c(rows.t_s, rows.air_c))


def over_g(night: Recording) -> Floats:
    """Mass and expected loss together, g (n,): what neither leaks nor strays stands still in it."""
    return night.rows.mass_g + expected(night).best_g


def tight_night(number: int) -> TightNight:
    """The night of a number, with the bound of the filter's model."""
    scenario = tight_scenario(number)
    night = simulate(scenario, interval_s=INTERVAL_S)
    settings = Settings(night.geometry, night.fuel, DESCRIBED)
    soak_s = 3600 * float(EDGES_H[0])
    model = 24 * least_sd_g_per_h(night.rows, settings, described_noise(scenario), soak_s)
    return TightNight(residual_g(night.rows.t_s, over_g(night)), model)


def tight_nights(nights: int, jobs: int) -> Iterator[TightNight]:
    """So many, in order, but no more than tell anything."""
    numbers = range(min(nights, MOST))
    if jobs == 1:
        yield from map(tight_night, numbers)
        return
    with ProcessPoolExecutor(min(jobs, len(numbers))) as pool:
        yield from pool.map(tight_night, numbers, chunksize=5)
