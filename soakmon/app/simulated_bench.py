"""A simulated bench in place of parts: its scenario, its pace, and where it keeps its data."""

from __future__ import annotations

import time
from pathlib import Path

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.bench.ports import BenchParts
from soakmon.config import Bench
from soakmon.errors import InputError


def in_folder(bench: Bench, folder: Path) -> Bench:
    """The same bench with data and socket in a folder."""
    place = {"data_folder": str(folder), "socket": str(folder / "control.sock")}
    return bench.model_copy(update={"service": bench.service.model_copy(update=place)})


def with_page(bench: Bench) -> Bench:
    """The same bench with its page, unless bench.toml says otherwise."""
    if "on" in bench.page.model_fields_set:
        return bench
    return bench.model_copy(update={"page": bench.page.model_copy(update={"on": True})})


def slower(bench: Bench, pace: float) -> Bench:
    """Fewer readings a second where a second is short, so that any machine keeps up.

    The guard's patience with a silent thread is of this machine, not of the simulated bench.
    """
    readings_per_s = min(max(300 / pace, 1.0), bench.cell.readings_per_s)
    cell = bench.cell.model_copy(update={"readings_per_s": readings_per_s})
    guard = bench.guard.model_copy(update={"hung_s": bench.guard.hung_s * pace})
    return bench.model_copy(update={"cell": cell, "guard": guard})


def simulated_parts(bench: Bench, name: str, pace: float, seed: int | None) -> BenchParts:
    """The parts of a simulated bench. Raises InputError for a scenario that does not fit."""
    if name not in SCENARIOS:
        raise InputError(f"there is no scenario {name!r}; see: soakmon rehearse --list")
    scenario = SCENARIOS[name]
    if bench.rack.carbs != len(scenario.geometry.bowls):
        raise InputError(f"rack.carbs must be {len(scenario.geometry.bowls)} for {name}")
    clock = PacedClock(pace, time.time())
    cell = bench.cell
    simulation = SimulatedBench(scenario, clock, 1 / cell.g_per_count, cell.zero_counts, seed=seed)
    return simulation.parts()
