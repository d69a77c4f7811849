"""Preflight without a service: listens to the parts for a while and judges what they say."""

from __future__ import annotations

from pathlib import Path

from soakmon.bench.ports import BenchParts, ClockedCell
from soakmon.bench.preflight import Check, check_machine, check_readings
from soakmon.bench.sampler import Sampler, Scale
from soakmon.config import Bench
from soakmon.texts import say
from soakmon.watch.averaging import join
from soakmon.watch.rows import Rows

# HX711 data sheet.
POWERS_DOWN_S = 60e-6


def listen_and_check(bench: Bench, parts: BenchParts, seconds: float) -> list[Check]:
    """Sample for some seconds with the feed shut: all that preflight checks, and the pace."""
    parts.valve.shut()
    cell = bench.cell
    scale = Scale(cell.g_per_count, cell.zero_counts, cell.capacity_g)
    clock = parts.clock
    start_s = clock.boot_s()
    sampler = Sampler(parts, scale, 1e-3 * bench.gates.dead_time_ms, start_s)
    air = parts.thermometer.read()
    sampler.take_air(air.value, 0.0)
    rows: list[Rows] = []
    slowest_s = 0.0
    trouble = ""
    while clock.boot_s() - start_s < seconds:
        before_s = clock.boot_s()
        _, row = sampler.sample()
        slowest_s = max(slowest_s, clock.boot_s() - before_s)
        trouble = sampler.trouble or trouble
        if row is not None:
            rows.append(row)
        clock.sleep(1 / cell.readings_per_s)
    checks = check_readings(join(rows), bench)
    if trouble:
        checks.append(Check(say("check.converter"), False, trouble, warning=True))
    if air.value is None and air.reason:
        checks.append(Check(say("check.thermometer_bus"), False, air.reason, warning=True))
    checks.append(_pace(slowest_s, cell.readings_per_s))
    if isinstance(parts.cell, ClockedCell):
        checks.append(_clock_cost(parts.cell.clock_cost_s()))
    folder = Path(bench.service.data_folder)
    existing = next(p for p in (folder, *folder.absolute().parents) if p.exists())
    checks += check_machine(existing, synchronised=clock.synchronised(), journal_trouble="")
    return checks


def _pace(slowest_s: float, readings_per_s: float) -> Check:
    """Whether one sample fits into its time."""
    text = say(
        "check.sample_takes_most_ms_ms",
        slowest_s=f"{1e3 * slowest_s:.1f}",
        readings_per_s=f"{1e3 / readings_per_s:.0f}",
    )
    return Check(say("check.pace"), slowest_s < 1 / readings_per_s, text, warning=True)


def _clock_cost(seconds: float) -> Check:
    """Whether this machine can clock the converter: a high of 60 µs powers it down."""
    most_us, cost_us = 1e6 * POWERS_DOWN_S, 1e6 * seconds
    good = cost_us < 0.7 * most_us
    text = say(
        "check.clock_pulse_stays_high_most", cost_us=f"{cost_us:.0f}", most_us=f"{most_us:.0f}"
    )
    text += "" if good else say("check.use_another_way")
    return Check(say("check.clock_pulses"), good, text, warning=True)
